// Workers that are lost with their tasks, and tasks that workers don't get done with.
#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "server/sched/scheduler.h"

namespace selvage::sched {

namespace {

// The share that the task gets of the blame for a worker with so many tasks.
double BlameOf(size_t tasks) { return std::max(0.25, 1.0 / static_cast<double>(tasks)); }

}  // namespace

// The worker vanished with the task.
void Scheduler::LostBy(TaskIndex t, WorkerNumber worker, size_t suspects, bool crashed) {
  Task& task = tasks_[t];
  if (suspects > 0 && std::find(task.lost_by.begin(), task.lost_by.end(), worker) == task.lost_by.end()) {
    task.lost_by.push_back(worker);
    const double weight = crashed ? options_.losses_until_abandoned / options_.crashes_until_abandoned : 1;
    task.blame += weight * BlameOf(suspects);
  }
  // Three thirds may add up to a little less than the whole.
  if (task.blame >= options_.losses_until_abandoned - 1e-6) {
    MakeFailed(t, TaskState::kAbandoned,
               absl::StrCat(
                   "given up: ", task.lost_by.size(),
                   " different workers ended or were lost while they rendered it, with little else to do; the task may "
                   "be what ends them (too little memory, a damaged plate)"));
    return;
  }
  Tell(t, Effect::kSetback, crashed ? "the worker crashed" : "the worker stopped answering");
  if (!task.attempts.empty()) return;
  const double losses = static_cast<double>(task.lost_by.size());
  BackToQueue(t, losses < 3 ? now_ : now_ + std::min(options_.longest_loss_pause, std::pow(2.0, losses - 3)));
}

Time Scheduler::OverdueAfter(const Task& task) const {
  double longest = -1;
  for (const Waiter& w : task.waiters) {
    const Durations& d = w.job->groups[w.job->tasks[w.local].group].durations;
    if (d.count() > 0) longest = std::max(longest, d.longest());
  }
  const Time first =
      longest < 0 ? options_.overdue_unmeasured : std::max(options_.overdue_least, options_.overdue_factor * longest);
  return first * std::pow(2.0, task.overdue);
}

// The worker answers, but does not get done with the task.
void Scheduler::TakeAway(TaskIndex t, Worker* w) {
  Task& task = tasks_[t];
  const auto a =
      std::find_if(task.attempts.begin(), task.attempts.end(), [&](const Attempt& x) { return x.worker == w->number; });
  if (a == task.attempts.end()) return;
  const int minutes = static_cast<int>((now_ - a->started) / 60);
  Stop(t, *a);
  w->stuck.push_back(task.key);
  DropAttemptOf(t, w->id);
  task.avoid = w->number;
  if (++task.overdue >= options_.overdue_until_abandoned) {
    MakeFailed(t, TaskState::kAbandoned,
               absl::StrCat("given up: ", task.overdue, " times a worker did not get done with it, the last in ",
                            minutes, " minutes"));
    return;
  }
  Tell(t, Effect::kSetback,
       absl::StrCat("its worker did not get done with it in ", minutes, " minutes; another one gets it"));
  if (task.attempts.empty()) BackToQueue(t, now_);
}

void Scheduler::Ended(const std::string& worker_id, bool crashed, Time now) {
  Begin(now);
  const Worker* w = workers_.Find(worker_id);
  if (w == nullptr) return;
  const WorkerNumber number = w->number;
  const Worker last = *w;
  for (TaskIndex t : last.leased) {
    if (!DropAttemptOf(t, worker_id)) continue;
    ++expired_;
    LostBy(t, number, last.SuspectsWith(t), crashed);
  }
  workers_.Remove(number);
  Settle();
}

void Scheduler::ExpireOverdue() {
  std::vector<std::pair<WorkerNumber, TaskIndex>> over;
  for (const auto& [number, w] : workers_.all()) {
    for (TaskIndex t : w.leased) {
      for (const Attempt& a : tasks_[t].attempts) {
        const bool late = a.worker == number && !a.handed_in && now_ - a.started > OverdueAfter(tasks_[t]);
        if (late) over.push_back({number, t});
      }
    }
  }
  for (const auto& [number, t] : over) {
    if (Worker* w = workers_.Find(number)) TakeAway(t, w);
  }
}

void Scheduler::ExpireLeases() {
  struct Over {
    WorkerNumber worker;
    TaskIndex task;
    size_t suspects;
  };
  std::vector<Over> over;
  std::vector<WorkerNumber> gone;
  for (const auto& [number, w] : workers_.all()) {
    for (TaskIndex t : w.leased) {
      for (const Attempt& a : tasks_[t].attempts) {
        if (a.worker == number && a.deadline <= now_) over.push_back({number, t, w.SuspectsWith(t)});
      }
    }
    // Silent without a broken connection: a network that swallows packets.
    if (w.leased.empty() && (!w.connected || now_ - w.last_report > 2 * options_.lease)) gone.push_back(number);
  }
  for (const auto& [number, t, suspects] : over) {
    auto& attempts = tasks_[t].attempts;
    auto a = std::find_if(attempts.begin(), attempts.end(), [of = number](const Attempt& x) { return x.worker == of; });
    if (a == attempts.end()) continue;
    Stop(t, *a);
    DropAttempt(t, static_cast<size_t>(a - attempts.begin()));
    ++expired_;
    LostBy(t, number, suspects, false);
  }
  for (WorkerNumber n : gone) workers_.Remove(n);
}

}  // namespace selvage::sched
