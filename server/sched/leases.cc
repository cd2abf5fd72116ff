// The half of the scheduler that deals with workers: leases and their ends, and
// who gets what next.
#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/sched/scheduler.h"

namespace selvage::sched {

namespace {
constexpr uint32_t kMaxSlots = 1024;
// Ready tasks of the same frame among which one is preferred whose inputs the
// worker made itself. More would cost more than a tile fetch over loopback.
constexpr size_t kLocalityChoices = 4;
// Tasks that are put aside in a search because the worker has lost them before.
constexpr size_t kMaxAvoided = 64;
}  // namespace

void Scheduler::Report(const std::string& worker_id, uint32_t slots, bool draining, std::span<const Running> running,
                       Time now) {
  Begin(now);
  Worker& w = workers_.FindOrAdd(worker_id);
  w.connected = true;
  w.slots = std::min(slots, kMaxSlots);
  w.draining = draining;
  w.last_report = now_;
  for (const Running& r : running) {
    Task* task = tasks_.Find(r.key);
    const TaskIndex t = task ? tasks_.IndexOf(*task) : 0;
    Attempt* known = nullptr;
    if (task) {
      for (Attempt& a : task->attempts) {
        if (a.worker == w.number) known = &a;
      }
    }
    if (known) {
      known->deadline = now_ + options_.lease;
    } else if (task && (task->state == TaskState::kReady || task->state == TaskState::kLeased)) {
      if (r.attempt >= task->first_open_attempt) Adopt(t, &w, r.attempt);
    } else if (task ? !IsOpen(task->state) : now_ >= options_.stop_unknown_after) {
      Effect e;
      e.type = Effect::kStop;
      e.key = r.key;
      e.worker = w.number;
      e.worker_id = w.id;
      e.attempt = r.attempt;
      effects_.push_back(std::move(e));
    }
  }
  Settle();
}

void Scheduler::Disconnected(const std::string& worker_id, Time now) {
  Begin(now);
  Worker* w = workers_.Find(worker_id);
  if (w == nullptr) return;
  w->connected = false;
  const auto leased = w->leased;
  const WorkerNumber number = w->number;
  for (TaskIndex t : leased) {
    if (w->draining) {
      // It said goodbye: what it leaves behind is handed back, not lost.
      DropAttemptOf(t, worker_id);
      if (tasks_[t].attempts.empty()) BackToQueue(t, now_);
      continue;
    }
    for (Attempt& a : tasks_[t].attempts) {
      if (a.worker == number) a.deadline = std::min(a.deadline, now_ + options_.reconnect_grace);
    }
  }
  if (w->leased.empty()) workers_.Remove(number);
  Settle();
}

void Scheduler::Lease(TaskIndex t, Worker* w, Job* job, uint32_t local) {
  Task& task = tasks_[t];
  Group& g = job->groups[job->tasks[local].group];
  Attempt a;
  a.worker = w->number;
  a.number = ++task.last_attempt;
  a.started = now_;
  a.deadline = now_ + options_.lease;
  a.charged_to = job->number;
  a.charged = g.durations.count() > 0 ? g.durations.mean() : 1;
  job->served += a.charged / job->weight;
  task.attempts.push_back(a);
  w->leased.push_back(t);
  Effect e = AboutTask(Effect::kStart, t);
  e.worker = w->number;
  e.worker_id = w->id;
  e.attempt = a.number;
  e.job = job->number;
  e.local = local;
  effects_.push_back(std::move(e));
  if (task.state != TaskState::kLeased) SetState(t, TaskState::kLeased);
}

// A worker runs it already, from before a restart or a broken connection.
void Scheduler::Adopt(TaskIndex t, Worker* w, uint32_t attempt) {
  Attempt a;
  a.worker = w->number;
  a.number = attempt;
  a.started = now_;
  a.deadline = now_ + options_.lease;
  tasks_[t].last_attempt = std::max(tasks_[t].last_attempt, attempt);
  tasks_[t].attempts.push_back(a);
  w->leased.push_back(t);
  if (tasks_[t].state != TaskState::kLeased) SetState(t, TaskState::kLeased);
}

void Scheduler::Stop(TaskIndex t, const Attempt& a) {
  const Worker* w = workers_.Find(a.worker);
  if (w == nullptr || a.handed_in) return;
  Effect e = AboutTask(Effect::kStop, t);
  e.worker = a.worker;
  e.worker_id = w->id;
  e.attempt = a.number;
  effects_.push_back(std::move(e));
}

void Scheduler::DropAttempt(TaskIndex t, size_t position) {
  auto& attempts = tasks_[t].attempts;
  if (Worker* w = workers_.Find(attempts[position].worker)) {
    auto it = std::find(w->leased.begin(), w->leased.end(), t);
    if (it != w->leased.end()) w->leased.erase(it);
  }
  attempts.erase(attempts.begin() + static_cast<ptrdiff_t>(position));
}

void Scheduler::DropAttempts(TaskIndex t, bool stop) {
  while (!tasks_[t].attempts.empty()) {
    if (stop) Stop(t, tasks_[t].attempts.back());
    DropAttempt(t, tasks_[t].attempts.size() - 1);
  }
}

// The worker is done with it. False if that worker has it not.
bool Scheduler::DropAttemptOf(TaskIndex t, const std::string& worker_id) {
  const Worker* w = workers_.Find(worker_id);
  if (w == nullptr) return false;
  Task& task = tasks_[t];
  const auto& attempts = task.attempts;
  for (size_t i = 0; i < attempts.size(); ++i) {
    if (attempts[i].worker != w->number) continue;
    task.first_open_attempt = std::max(task.first_open_attempt, attempts[i].number + 1);
    DropAttempt(t, i);
    return true;
  }
  return false;
}

void Scheduler::BackToQueue(TaskIndex t, Time retry_at) {
  tasks_[t].retry_at = retry_at;
  if (AllInputsDone(tasks_[t])) {
    MakeReady(t);
  } else {
    Block(t);
  }
}

bool Scheduler::BeginCommit(const ResultKey& key, const std::string& worker_id, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || !IsOpen(task->state) || task->state == TaskState::kCommitting) return false;
  const TaskIndex t = tasks_.IndexOf(*task);
  if (Worker* w = workers_.Find(worker_id)) {
    for (Attempt& a : task->attempts) {
      if (a.worker != w->number) continue;
      a.handed_in = true;
      std::erase(w->leased, t);
    }
  }
  SetState(t, TaskState::kCommitting);
  Settle();
  return true;
}

void Scheduler::EndCommit(const ResultKey& key, const std::string& worker_id, bool ok, double seconds, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->state != TaskState::kCommitting) return;
  const TaskIndex t = tasks_.IndexOf(*task);
  Worker* w = workers_.Find(worker_id);
  if (ok) {
    if (w) ++w->done;
    task->made_by = w ? w->number : 0;
    for (const Attempt& a : task->attempts) {
      auto job = jobs_.find(a.charged_to);
      if (job != jobs_.end() && a.handed_in) job->second.served += (now_ - a.started - a.charged) / job->second.weight;
    }
    for (const Waiter& waiter : task->waiters) {
      const Member& m = waiter.job->tasks[waiter.local];
      if (m.needed) waiter.job->groups[m.group].durations.Add(seconds);
    }
    MakeDone(t, false);
  } else if (task->attempts.empty()) {
    BackToQueue(t, now_ + 1);
  } else {
    // The worker still has the result and will hand it in again.
    for (Attempt& a : task->attempts) {
      if (!a.handed_in) continue;
      a.handed_in = false;
      a.deadline = now_ + options_.lease;
      if (Worker* holder = workers_.Find(a.worker)) holder->leased.push_back(t);
    }
    SetState(t, TaskState::kLeased);
  }
  Settle();
}

void Scheduler::TaskFailed(const ResultKey& key, const std::string& worker_id, const std::string& message, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || !IsOpen(task->state) || task->state == TaskState::kCommitting) return;
  const TaskIndex t = tasks_.IndexOf(*task);
  DropAttemptOf(t, worker_id);
  MakeFailed(t, TaskState::kFailed, message.empty() ? "failed without a reason" : message);
  Settle();
}

void Scheduler::TaskSetback(const ResultKey& key, const std::string& worker_id, const std::string& message, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->state != TaskState::kLeased) return;
  const TaskIndex t = tasks_.IndexOf(*task);
  if (!DropAttemptOf(t, worker_id)) return;
  if (const Worker* w = workers_.Find(worker_id)) task->avoid = w->number;
  if (++task->setbacks >= options_.setbacks_until_abandoned) {
    MakeFailed(t, TaskState::kAbandoned, absl::StrCat("given up after ", task->setbacks, " attempts: ", message));
  } else {
    Tell(t, Effect::kSetback, message);
    if (task->attempts.empty()) BackToQueue(t, now_ + std::min(30.0, 0.5 * std::pow(2.0, task->setbacks - 1)));
  }
  Settle();
}

void Scheduler::InputLost(const ResultKey& key, const std::string& worker_id, const ResultKey& input, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  Task* lost = tasks_.Find(input);
  if (lost && lost->state == TaskState::kDone) Reopen(tasks_.IndexOf(*lost));
  if (task && task->state == TaskState::kLeased) {
    const TaskIndex t = tasks_.IndexOf(*task);
    if (DropAttemptOf(t, worker_id) && task->attempts.empty()) BackToQueue(t, now_);
  }
  Settle();
}

void Scheduler::Postpone(const ResultKey& key, const std::string& worker_id, Time until, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task && task->state == TaskState::kLeased) {
    const TaskIndex t = tasks_.IndexOf(*task);
    if (DropAttemptOf(t, worker_id) && task->attempts.empty()) BackToQueue(t, until);
  }
  Settle();
}

// The worker vanished with the task.
void Scheduler::LostBy(TaskIndex t, WorkerNumber worker, const std::string& why) {
  Task& task = tasks_[t];
  if (std::find(task.lost_by.begin(), task.lost_by.end(), worker) == task.lost_by.end()) task.lost_by.push_back(worker);
  if (static_cast<int>(task.lost_by.size()) >= options_.workers_until_abandoned) {
    MakeFailed(t, TaskState::kAbandoned,
               absl::StrCat(task.lost_by.size(), " different workers were lost while they rendered it"));
    return;
  }
  Tell(t, Effect::kSetback, why);
  if (task.attempts.empty()) BackToQueue(t, now_);
}

void Scheduler::ExpireLeases() {
  std::vector<std::pair<WorkerNumber, TaskIndex>> over;
  std::vector<WorkerNumber> gone;
  for (const auto& [number, w] : workers_.all()) {
    for (TaskIndex t : w.leased) {
      for (const Attempt& a : tasks_[t].attempts) {
        if (a.worker == number && a.deadline <= now_) over.push_back({number, t});
      }
    }
    // Silent without a broken connection: a network that swallows packets.
    if (w.leased.empty() && (!w.connected || now_ - w.last_report > 2 * options_.lease)) gone.push_back(number);
  }
  for (const auto& [number, t] : over) {
    auto& attempts = tasks_[t].attempts;
    auto a = std::find_if(attempts.begin(), attempts.end(), [&](const Attempt& x) { return x.worker == number; });
    if (a == attempts.end()) continue;
    Stop(t, *a);
    DropAttempt(t, static_cast<size_t>(a - attempts.begin()));
    ++expired_;
    LostBy(t, number, "the worker stopped answering");
  }
  for (WorkerNumber n : gone) workers_.Remove(n);
}

void Scheduler::ReleaseDelayed() {
  std::erase_if(delayed_, [&](TaskRef r) {
    if (!tasks_.Holds(r) || tasks_[r.index].state != TaskState::kReady) return true;
    if (tasks_[r.index].retry_at > now_) return false;
    for (const Waiter& w : tasks_[r.index].waiters) Offer(r.index, w);
    return true;
  });
}

void Scheduler::Tick(Time now) {
  Begin(now);
  ExpireLeases();
  ReleaseDelayed();
  RunPending();
  Dispatch();
  Hedge();
  FinishJobs();
}

bool Scheduler::IsReadyFor(const Job& job, const ReadyQueue::Entry& e) const {
  if (!tasks_.Holds({e.task, e.generation})) return false;
  const Task& t = tasks_[e.task];
  return t.state == TaskState::kReady && t.retry_at <= now_ && job.tasks[e.local].needed;
}

// Lost it before, or had trouble with it, and there is somebody else.
bool Scheduler::Avoids(const Task& t, const Worker& w) const {
  const auto bad = [&](WorkerNumber n) {
    return t.avoid == n || std::find(t.lost_by.begin(), t.lost_by.end(), n) != t.lost_by.end();
  };
  if (!bad(w.number)) return false;
  for (const auto& [number, other] : workers_.all()) {
    if (other.connected && !other.draining && other.slots > 0 && !bad(number)) return true;
  }
  return false;
}

Job* Scheduler::NextJob(const std::vector<Job*>& skip) {
  Job* best = nullptr;
  for (auto& [number, job] : jobs_) {
    while (!job.ready.empty() && !IsReadyFor(job, job.ready.top())) job.ready.Pop();
    if (job.ready.empty() || job.not_before > now_) continue;
    if (std::find(skip.begin(), skip.end(), &job) != skip.end()) continue;
    const bool before =
        best == nullptr || (job.interactive != best->interactive ? job.interactive : job.served < best->served);
    if (before) best = &job;
  }
  return best;
}

bool Scheduler::TakeFrom(Job* job, Worker* w) {
  std::vector<ReadyQueue::Entry> choices, avoided;
  while (!job->ready.empty() && choices.size() < kLocalityChoices && avoided.size() < kMaxAvoided) {
    const ReadyQueue::Entry e = job->ready.Pop();
    if (!IsReadyFor(*job, e)) continue;
    if (Avoids(tasks_[e.task], *w)) {
      avoided.push_back(e);
      continue;
    }
    choices.push_back(e);
    // Only the same frame: locality must not spoil the order.
    if (e.order >> 32 != choices.front().order >> 32) break;
    if (workers_.all().size() < 2) break;
  }
  size_t chosen = 0;
  for (size_t i = 0; i < choices.size(); ++i) {
    if (choices[i].order >> 32 != choices[0].order >> 32) break;
    const auto& inputs = tasks_[choices[i].task].inputs;
    if (std::any_of(inputs.begin(), inputs.end(), [&](TaskIndex in) { return tasks_[in].made_by == w->number; })) {
      chosen = i;
      break;
    }
  }
  for (const auto& e : avoided) job->ready.Push(e);
  for (size_t i = 0; i < choices.size(); ++i) {
    if (i != chosen) job->ready.Push(choices[i]);
  }
  if (choices.empty()) return false;
  Lease(choices[chosen].task, w, job, choices[chosen].local);
  return true;
}

bool Scheduler::DispatchTo(Worker* w) {
  std::vector<Job*> skip;
  while (Job* job = NextJob(skip)) {
    if (TakeFrom(job, w)) return true;
    skip.push_back(job);
  }
  return false;
}

// One each in turn, so that a machine with many slots does not take it all.
void Scheduler::Dispatch() {
  for (bool more = true; more;) {
    more = false;
    for (auto& [number, w] : workers_.all()) {
      if (!w.has_room()) continue;
      if (NextJob({}) == nullptr) return;
      more |= DispatchTo(&w);
    }
  }
}

// Near the end, when slots are idle, a task that is much later than its kind is
// given to a second worker; the first to hand it in wins.
void Scheduler::Hedge() {
  if (NextJob({}) != nullptr) return;
  for (auto& [number, idle] : workers_.all()) {
    if (!idle.has_room()) continue;
    // At most 2 % more executions than tasks.
    if (hedges_ > 1 + finished_tasks_ / 50) return;
    for (const auto& [other_number, other] : workers_.all()) {
      if (other_number == number || !idle.has_room()) continue;
      const auto leased = other.leased;
      for (TaskIndex t : leased) {
        const Task& task = tasks_[t];
        if (task.attempts.size() != 1 || task.state != TaskState::kLeased || !idle.has_room()) continue;
        const auto w = std::find_if(task.waiters.begin(), task.waiters.end(),
                                    [](const Waiter& x) { return x.job->tasks[x.local].needed; });
        if (w == task.waiters.end()) continue;
        const Durations& d = w->job->groups[w->job->tasks[w->local].group].durations;
        if (d.count() < 5 || !AllInputsDone(task)) continue;
        if (now_ - task.attempts[0].started < std::max(2 * d.p95(), options_.hedge_after)) continue;
        ++hedges_;
        Lease(t, &idle, w->job, w->local);
      }
    }
  }
}

}  // namespace selvage::sched
