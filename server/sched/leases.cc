// The quarter of the scheduler that deals with leases: who has what, and what is
// handed in.
#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/sched/scheduler.h"

namespace selvage::sched {

namespace {
constexpr uint32_t kMaxSlots = 1024;
}  // namespace

void Scheduler::Report(const std::string& worker_id, uint32_t slots, bool draining, std::span<const Running> running,
                       Time now) {
  Begin(now);
  Worker& w = workers_.FindOrAdd(worker_id);
  w.connected = true;
  w.slots = std::min(slots, kMaxSlots);
  w.draining = draining;
  w.last_report = now_;
  w.rendered.clear();
  std::erase_if(w.stuck, [&](const ResultKey& key) {
    return std::none_of(running.begin(), running.end(), [&](const Running& r) { return r.key == key; });
  });
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
    const bool leased = task && std::find(w.leased.begin(), w.leased.end(), t) != w.leased.end();
    if (r.rendered && leased) w.rendered.push_back(t);
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
  std::vector<TaskIndex> inner;
  Gather(t, &inner);
  for (TaskIndex i : inner) {
    const auto& waiters = tasks_[i].waiters;
    // Whoever has the task has what it reads.
    const auto own = std::find_if(waiters.begin(), waiters.end(), [&](const Waiter& x) { return x.job == job; });
    e.inner.push_back(own->local);
  }
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
  if (Worker* w = workers_.Find(attempts[position].worker)) w->Drop(t);
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
  if (Usable(t)) {
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
      w->Drop(t);
    }
  }
  SetState(t, TaskState::kCommitting);
  Settle();
  return true;
}

void Scheduler::EndCommit(const ResultKey& key, const std::string& worker_id, bool ok, double seconds, Time now,
                          bool reused) {
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
    MakeDone(t, reused, true);
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

void Scheduler::Tick(Time now) {
  Begin(now);
  ExpireLeases();
  ExpireOverdue();
  ReleaseDelayed();
  RunPending();
  Dispatch();
  Hedge();
  FinishJobs();
}

}  // namespace selvage::sched
