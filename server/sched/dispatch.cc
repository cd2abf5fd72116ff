// Who gets what next.
#include <algorithm>
#include <utility>

#include "server/sched/scheduler.h"

namespace selvage::sched {

namespace {
// Ready tasks of the same frame among which one is preferred whose inputs the
// worker made itself. More would cost more than a tile fetch over loopback.
constexpr size_t kLocalityChoices = 4;
// Tasks that are put aside in a search because the worker has lost them before.
constexpr size_t kMaxAvoided = 64;
}  // namespace

void Scheduler::ReleaseDelayed() {
  std::erase_if(delayed_, [&](TaskRef r) {
    if (!tasks_.Holds(r) || tasks_[r.index].state != TaskState::kReady) return true;
    if (tasks_[r.index].retry_at > now_) return false;
    for (const Waiter& w : tasks_[r.index].waiters) Offer(r.index, w);
    return true;
  });
}

bool Scheduler::IsReadyFor(const Job& job, const ReadyQueue::Entry& e) const {
  if (!tasks_.Holds({e.task, e.generation})) return false;
  const Task& t = tasks_[e.task];
  return t.state == TaskState::kReady && t.stored && t.retry_at <= now_ && job.tasks[e.local].needed;
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
        if (other.HasRendered(t)) continue;
        const auto w = std::find_if(task.waiters.begin(), task.waiters.end(),
                                    [](const Waiter& x) { return x.job->tasks[x.local].needed; });
        if (w == task.waiters.end()) continue;
        const Durations& d = w->job->groups[w->job->tasks[w->local].group].durations;
        if (d.count() < 5 || !Usable(t)) continue;
        if (now_ - task.attempts[0].started < std::max(2 * d.p95(), options_.hedge_after)) continue;
        ++hedges_;
        Lease(t, &idle, w->job, w->local);
      }
    }
  }
}

}  // namespace selvage::sched
