// Which worker does what, as a pure state machine: events go in, effects come
// out. No clock, no threads, no gRPC, no pixels; not thread-safe. Given the same
// events it always gives the same effects.
//
// One execution a key: a task belongs to all jobs that have it in their plan
// and is stopped when the last job that needs it goes. A late completion is as
// good as any, since results are named by what they are made of.
//
// A bundle is a task that is leased, with all below it that is not stored. It is the
// lease of that one task: lost, stopped and handed in as one. What is brought along
// stays ready until some bundle that held it is committed.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <map>
#include <span>
#include <string>
#include <vector>

#include "server/sched/backlog.h"
#include "server/sched/durations.h"
#include "server/sched/ready_queue.h"
#include "server/sched/task_table.h"
#include "server/sched/types.h"
#include "server/sched/worker_table.h"

namespace selvage::sched {

// One line of a job's progress.
struct Group {
  uint64_t total = 0, open = 0, rendered = 0, reused = 0, running = 0, failed = 0;
  Durations durations;
};

// One task as one job sees it.
struct Member {
  enum Counted : uint8_t { kNothing, kOpen, kRendered, kReused, kFailed };
  uint64_t order = 0;
  TaskIndex task = 0;
  uint32_t group = 0;
  bool needed = false;
  bool running = false;
  Counted counted = kNothing;
};

struct Job {
  JobNumber number = 0;
  bool interactive = false;
  bool reported_finished = false;
  double weight = 1;
  Time not_before = 0;
  // Worker seconds it got, over its weight: who had least goes first.
  double served = 0;
  uint64_t open = 0, failed = 0;
  std::vector<Member> tasks;
  std::vector<Group> groups;
  ReadyQueue ready;
};

class Scheduler {
 public:
  explicit Scheduler(const Options& options = {}) : options_(options) {}
  Scheduler(const Scheduler&) = delete;
  Scheduler& operator=(const Scheduler&) = delete;

  // --- Jobs. REQUIRES: a number that was not used before.
  void AddJob(const NewJob& job, Time now);
  // Cancelled, finished or replaced by a new plan (add the new one first, so
  // that what both need goes on).
  void RemoveJob(JobNumber number, Time now);

  // --- Workers. Each report is complete.
  void Report(const std::string& worker_id, uint32_t slots, bool draining, std::span<const Running> running, Time now);
  void Disconnected(const std::string& worker_id, Time now);
  // Its process has ended, and what it had will not come. `crashed`: by a fault of its own.
  void Ended(const std::string& worker_id, bool crashed, Time now);

  // --- Tasks.
  // Answer to kAsk. `hit`: the result is known (and durable under its key); a question
  // that is not by trace key asks for tiles. `has_tiles`: they are in the store.
  void Answer(const ResultKey& key, uint32_t question, bool hit, Time now, bool has_tiles = true);
  // A worker hands in a result whose bytes are all there. True: make it
  // durable, then call EndCommit. False: no job needs it, or somebody else's is
  // being made durable.
  bool BeginCommit(const ResultKey& key, const std::string& worker_id, Time now);
  // `reused`: nothing of it had to be rendered.
  void EndCommit(const ResultKey& key, const std::string& worker_id, bool ok, double seconds, Time now,
                 bool reused = false);
  // The same for a task that came along with one that was handed in. False: it is known
  // already, or is to be stored after all.
  bool BeginBring(const ResultKey& key, Time now);
  void EndBring(const ResultKey& key, bool ok, double seconds, Time now, bool reused = false);
  // The operator said no.
  void TaskFailed(const ResultKey& key, const std::string& worker_id, const std::string& message, Time now);
  // To a task that was rendered along with `key`.
  void InnerFailed(const ResultKey& key, const std::string& worker_id, const ResultKey& inner,
                   const std::string& message, Time now);
  // Something that is not the task's fault: tried again, elsewhere if possible.
  void TaskSetback(const ResultKey& key, const std::string& worker_id, const std::string& message, Time now);
  // The task could not read this input: it is rendered again first.
  void InputLost(const ResultKey& key, const std::string& worker_id, const ResultKey& input, Time now);
  // The caller found that a result is not there (any more).
  void ResultLost(const ResultKey& key, Time now);
  // Handed in, but not to be tried again for a while (its job is planned anew).
  void Postpone(const ResultKey& key, const std::string& worker_id, Time until, Time now);

  // Call about once a second: leases end, late tasks are given out twice.
  void Tick(Time now);

  std::vector<Effect> TakeEffects();

  // --- Looking in.
  const Job* FindJob(JobNumber number) const;
  const Task* FindTask(const ResultKey& key) const { return tasks_.Find(key); }
  // Tasks that the worker has and has not handed in, with all that comes along.
  std::vector<ResultKey> LeasedTo(const std::string& worker_id) const;
  std::vector<JobNumber> JobsOf(const ResultKey& key) const;
  const WorkerTable& workers() const { return workers_; }
  size_t task_count() const { return tasks_.size(); }
  uint64_t hedges() const { return hedges_; }
  // Attempts that came to nothing, of tasks that are tried again.
  uint64_t setbacks() const { return setbacks_; }
  uint64_t expired_leases() const { return expired_; }
  // Tasks of live jobs by state, in the order of TaskState.
  std::array<uint64_t, 9> CountStates() const;
  // `usual`: seconds that a task of this line of a job took before; 0: not known. What the job
  // itself has measured counts more.
  Backlog CountBacklog(const std::function<double(JobNumber, uint32_t group)>& usual) const;
  // Empty if all is as it must be, else what is wrong. Slow; for tests.
  std::string CheckInvariants() const;

 private:
  // scheduler.cc: jobs and the life of a task.
  void Require(TaskIndex t, Job* job, bool known_missing);
  void Block(TaskIndex t);
  void AskOrWait(TaskIndex t);
  void Ask(TaskIndex t, bool by_trace);
  void MakeReady(TaskIndex t);
  void Offer(TaskIndex t, const Waiter& w);
  void MakeDone(TaskIndex t, bool reused, bool has_tiles);
  void MakeFailed(TaskIndex t, TaskState state, const std::string& message);
  void Reopen(TaskIndex t);
  void SetState(TaskIndex t, TaskState state);
  void Recount(Job* job, uint32_t local);
  bool AllInputsDone(const Task& t) const;

  // bundles.cc: tasks that come along with others.
  enum class Inputs : uint8_t { kUsable, kWaits, kFailed };
  // Adds what is rendered along with the task, inputs before their users, unless null.
  Inputs Gather(TaskIndex t, std::vector<TaskIndex>* inner) const;
  bool Usable(TaskIndex t) const { return Gather(t, nullptr) == Inputs::kUsable; }
  // Its result is known, not its tiles.
  bool Hollow(TaskIndex t) const { return tasks_[t].state == TaskState::kDone && !tasks_[t].has_tiles; }
  // Comes along with whoever reads it.
  bool Inline(TaskIndex t) const {
    const TaskState s = tasks_[t].state;
    return !tasks_[t].stored && (s == TaskState::kReady || s == TaskState::kCommitting);
  }
  void RequireInputs(TaskIndex t);
  enum class Visited { kNext, kThrough, kStop };
  template <class Visit>
  bool VisitUsers(TaskIndex t, const Visit& visit) const;
  void BlockUsers(TaskIndex t);
  void WakeUsers(TaskIndex t);
  // Somebody who is open reads it; in `job`, unless null.
  bool ReadByOpen(TaskIndex t, const Job* job) const;
  // A reader came to an end: was it the last?
  void Retire(TaskIndex t);
  void WantStored(TaskIndex t);
  Effect AboutTask(Effect::Type type, TaskIndex t) const;
  void Tell(TaskIndex t, Effect::Type type, const std::string& message);
  void RunPending();
  void FinishJobs();
  // Every event begins with one and ends with the other.
  void Begin(Time now) { now_ = now > now_ ? now : now_; }
  void Settle();

  // leases.cc: who has what.
  void Lease(TaskIndex t, Worker* w, Job* job, uint32_t local);
  void Adopt(TaskIndex t, Worker* w, uint32_t attempt);
  void Stop(TaskIndex t, const Attempt& a);
  void DropAttempt(TaskIndex t, size_t position);
  void DropAttempts(TaskIndex t, bool stop);
  bool DropAttemptOf(TaskIndex t, const std::string& worker_id);
  void BackToQueue(TaskIndex t, Time retry_at);

  // losses.cc: leases that end without a result.
  void ExpireLeases();
  // A worker that had `tasks` tasks vanished with this one, or crashed.
  void LostBy(TaskIndex t, WorkerNumber worker, size_t suspects, bool crashed);
  void ExpireOverdue();
  Time OverdueAfter(const Task& task) const;
  void TakeAway(TaskIndex t, Worker* w);

  // dispatch.cc: who gets what next.
  void ReleaseDelayed();
  void Dispatch();
  bool DispatchTo(Worker* w);
  Job* NextJob(const std::vector<Job*>& skip);
  bool TakeFrom(Job* job, Worker* w);
  bool IsReadyFor(const Job& job, const ReadyQueue::Entry& e) const;
  bool Avoids(const Task& t, const Worker& w) const;
  void Hedge();

  Options options_;
  Time now_ = 0;
  TaskTable tasks_;
  WorkerTable workers_;
  std::map<JobNumber, Job> jobs_;
  std::vector<Effect> effects_;
  std::vector<JobNumber> maybe_finished_;
  // Done or failed tasks whose users must be looked at; a list instead of
  // recursion, since chains of passes can be thousands deep.
  std::vector<TaskRef> pending_;
  // Ready tasks that wait for their retry_at.
  std::vector<TaskRef> delayed_;
  uint64_t hedges_ = 0, setbacks_ = 0, expired_ = 0, finished_tasks_ = 0;
};

}  // namespace selvage::sched
