// Tasks whose results are not stored: they come along with the tasks that read them.
#include <algorithm>

#include "absl/container/flat_hash_set.h"
#include "server/sched/scheduler.h"

namespace selvage::sched {

Scheduler::Inputs Scheduler::Gather(TaskIndex t, std::vector<TaskIndex>* inner) const {
  const auto there = [&](TaskIndex i) { return tasks_[i].state == TaskState::kDone && tasks_[i].has_tiles; };
  if (std::all_of(tasks_[t].inputs.begin(), tasks_[t].inputs.end(), there)) return Inputs::kUsable;
  Inputs result = Inputs::kUsable;
  absl::flat_hash_set<TaskIndex> seen;
  // Depth first, so that inputs are added before their users.
  const auto visit = [&](const auto& self, TaskIndex of) -> void {
    for (TaskIndex i : tasks_[of].inputs) {
      if (there(i) || !seen.insert(i).second) continue;
      if (Hollow(i) || Inline(i)) {
        self(self, i);
        if (inner != nullptr) inner->push_back(i);
      } else if (IsFailed(tasks_[i].state)) {
        result = Inputs::kFailed;
      } else if (result == Inputs::kUsable) {
        result = Inputs::kWaits;
      }
    }
  };
  visit(visit, t);
  return result;
}

// All that must be there before the task can be rendered, for all jobs that need it.
void Scheduler::RequireInputs(TaskIndex t) {
  const auto inputs = tasks_[t].inputs;
  for (TaskIndex input : inputs) {
    if (tasks_[input].state == TaskState::kDone && tasks_[input].has_tiles) continue;
    const auto waiters = tasks_[t].waiters;
    for (const Waiter& w : waiters) {
      if (w.job->tasks[w.local].needed) Require(input, w.job, false);
    }
    // Required before, by a job that needed no tiles below it.
    if (Hollow(input) && Gather(input, nullptr) == Inputs::kWaits) RequireInputs(input);
  }
}

// Visits once each who reads `t`, directly or through those of which `visit` says
// kThrough, until it says kStop; says whether it did.
template <class Visit>
bool Scheduler::VisitUsers(TaskIndex t, const Visit& visit) const {
  absl::flat_hash_set<TaskIndex> seen;
  std::vector<TaskIndex> todo = {t};
  while (!todo.empty()) {
    // A copy: a visit may change who uses what.
    const auto users = tasks_[todo.back()].users;
    todo.pop_back();
    for (TaskRef u : users) {
      if (!tasks_.Holds(u) || !seen.insert(u.index).second) continue;
      const Visited visited = visit(u.index);
      if (visited == Visited::kStop) return true;
      if (visited == Visited::kThrough) todo.push_back(u.index);
    }
  }
  return false;
}

// The pixels of `t` are gone or not there yet: no task that needs them can be rendered now,
// be it directly or through results that are not stored.
void Scheduler::BlockUsers(TaskIndex t) {
  VisitUsers(t, [this](TaskIndex u) {
    const bool through = Hollow(u) || Inline(u);
    const TaskState s = tasks_[u].state;
    if (s == TaskState::kReady || s == TaskState::kAsked) SetState(u, TaskState::kBlocked);
    return through ? Visited::kThrough : Visited::kNext;
  });
}

// The pixels of `t` are there: whatever waited for them may go on.
void Scheduler::WakeUsers(TaskIndex t) {
  VisitUsers(t, [this](TaskIndex u) {
    const bool through = Hollow(u);
    if (tasks_[u].state == TaskState::kBlocked) AskOrWait(u);
    return through ? Visited::kThrough : Visited::kNext;
  });
}

bool Scheduler::ReadByOpen(TaskIndex t, const Job* job) const {
  return VisitUsers(t, [&](TaskIndex u) {
    if (IsOpen(tasks_[u].state)) {
      for (const Waiter& w : tasks_[u].waiters) {
        if ((job == nullptr || w.job == job) && w.job->tasks[w.local].needed) return Visited::kStop;
      }
    }
    return Hollow(u) ? Visited::kThrough : Visited::kNext;
  });
}

void Scheduler::Retire(TaskIndex t) {
  absl::flat_hash_set<TaskIndex> seen;
  std::vector<TaskIndex> todo = {t};
  while (!todo.empty()) {
    const TaskIndex i = todo.back();
    todo.pop_back();
    const TaskState s = tasks_[i].state;
    const bool waits = s == TaskState::kReady || s == TaskState::kBlocked || s == TaskState::kAsked;
    const bool looks_through = Hollow(i);
    if (!looks_through && (tasks_[i].stored || !waits)) continue;
    if (ReadByOpen(i, nullptr)) continue;
    if (!looks_through) {
      for (const Waiter& w : tasks_[i].waiters) w.job->tasks[w.local].needed = false;
      SetState(i, TaskState::kIdle);
    } else if (!seen.insert(i).second) {
      continue;
    }
    for (TaskIndex input : tasks_[i].inputs) todo.push_back(input);
  }
}

// A job wants the tiles of what others were content to have along.
void Scheduler::WantStored(TaskIndex t) {
  if (tasks_[t].stored) return;
  const bool was_inline = Inline(t);
  if (was_inline) BlockUsers(t);
  tasks_[t].stored = true;
  if (!was_inline || tasks_[t].state != TaskState::kReady) return;
  for (const Waiter& w : tasks_[t].waiters) Offer(t, w);
}

bool Scheduler::BeginBring(const ResultKey& key, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->stored) return false;
  const TaskState s = task->state;
  if (s != TaskState::kReady && s != TaskState::kBlocked && s != TaskState::kAsked) return false;
  SetState(tasks_.IndexOf(*task), TaskState::kCommitting);
  Settle();
  return true;
}

void Scheduler::EndBring(const ResultKey& key, bool ok, double seconds, Time now, bool reused) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->state != TaskState::kCommitting) return;
  const TaskIndex t = tasks_.IndexOf(*task);
  if (!ok) {
    BackToQueue(t, now_);
    return Settle();
  }
  for (const Waiter& w : task->waiters) {
    const Member& m = w.job->tasks[w.local];
    if (m.needed) w.job->groups[m.group].durations.Add(seconds);
  }
  MakeDone(t, reused, false);
  Settle();
}

void Scheduler::InnerFailed(const ResultKey& key, const std::string& worker_id, const ResultKey& inner,
                            const std::string& message, Time now) {
  Task* failed = tasks_.Find(inner);
  const bool open = failed != nullptr && IsOpen(failed->state) && failed->state != TaskState::kCommitting;
  // It was rendered before, or is about to be known: the worker is to blame.
  if (!open) return TaskSetback(key, worker_id, message, now);
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->state != TaskState::kLeased) return;
  const TaskIndex t = tasks_.IndexOf(*task), f = tasks_.IndexOf(*failed);
  if (!DropAttemptOf(t, worker_id)) return;
  DropAttempts(t, true);
  BlockUsers(f);
  MakeFailed(f, TaskState::kFailed, message.empty() ? "failed without a reason" : message);
  BackToQueue(t, now_);
  Settle();
}

}  // namespace selvage::sched
