// What a scheduler says about itself: counts for the metrics, checks for tests.
#include <algorithm>

#include "absl/strings/str_cat.h"
#include "server/sched/scheduler.h"

namespace selvage::sched {

std::vector<ResultKey> Scheduler::LeasedTo(const std::string& worker_id) const {
  std::vector<ResultKey> keys;
  for (const auto& [number, worker] : workers_.all()) {
    if (worker.id != worker_id) continue;
    for (const TaskIndex t : worker.leased) {
      std::vector<TaskIndex> inner;
      Gather(t, &inner);
      for (const TaskIndex i : inner) keys.push_back(tasks_[i].key);
      keys.push_back(tasks_[t].key);
    }
  }
  return keys;
}

std::array<uint64_t, 9> Scheduler::CountStates() const {
  std::array<uint64_t, 9> count{};
  for (const auto& [number, job] : jobs_) {
    for (const Member& m : job.tasks) {
      // Of a task that several jobs have, only the first counts.
      if (tasks_[m.task].waiters.front().job == &job) ++count[static_cast<size_t>(tasks_[m.task].state)];
    }
  }
  return count;
}

Backlog Scheduler::CountBacklog(const std::function<double(JobNumber, uint32_t)>& usual) const {
  Backlog d;
  for (const auto& [number, w] : workers_.all()) {
    // What a worker that leaves does not finish is ready again.
    if (w.connected && !w.draining) d.running += w.running() + w.stuck.size();
  }
  // Ready, or waiting for what is.
  std::vector<bool> counted(tasks_.places());
  for (const auto& [number, job] : jobs_) {
    std::vector<double> seconds(job.groups.size());
    for (uint32_t g = 0; g < job.groups.size(); ++g) {
      const Durations& own = job.groups[g].durations;
      seconds[g] = own.count() > 0 ? own.mean() : usual(number, g);
    }
    // Inputs come before their users.
    for (const Member& m : job.tasks) {
      const Task& t = tasks_[m.task];
      if (!m.needed || counted[m.task]) continue;
      const bool ready = t.state == TaskState::kReady && t.retry_at <= now_;
      const bool hangs = t.state == TaskState::kBlocked &&
                         std::any_of(t.inputs.begin(), t.inputs.end(), [&](TaskIndex i) { return counted[i]; });
      if (!ready && !hangs) continue;
      counted[m.task] = true;
      d.seconds += seconds[m.group];
      // What is not stored comes along with what is.
      if (!ready || !t.stored) continue;
      ++d.ready;
      d.unmeasured += seconds[m.group] <= 0;
    }
  }
  // Pixels that only come along are nobody's to begin.
  if (d.ready == 0) d.seconds = 0;
  return d;
}

std::string Scheduler::CheckInvariants() const {
  for (const auto& [number, job] : jobs_) {
    uint64_t open = 0, failed = 0;
    std::vector<Group> groups(job.groups.size());
    for (uint32_t i = 0; i < job.tasks.size(); ++i) {
      const Member& m = job.tasks[i];
      const Task& t = tasks_[m.task];
      const std::string name = absl::StrCat("job ", number, " task ", i, ": ");
      if (tasks_.Find(t.key) != &t) return name + "not found under its key";
      const bool waits = std::any_of(t.waiters.begin(), t.waiters.end(),
                                     [&, of = &job](const Waiter& w) { return w.job == of && w.local == i; });
      if (!waits) return name + "does not know its job";
      if (m.needed && t.state == TaskState::kIdle) return name + "needed, but idle";
      if (m.counted == Member::kNothing) return name + "not counted";
      ++groups[m.group].total;
      open += m.counted == Member::kOpen;
      failed += m.counted == Member::kFailed;
      groups[m.group].running += m.running;
      if (m.needed && IsOpen(t.state) != (m.counted == Member::kOpen)) return name + "counted wrongly";
      if (m.needed && t.state == TaskState::kBlocked) {
        if (Gather(m.task, nullptr) != Inputs::kWaits) return name + "waits for nothing";
        for (TaskIndex in : t.inputs) {
          if (tasks_[in].state == TaskState::kIdle) return name + "waits for a task that nobody runs";
          if (IsFailed(tasks_[in].state)) return name + "waits for a task that failed";
        }
      }
      if (t.state == TaskState::kReady && !Usable(m.task)) return name + "ready without its inputs";
      if (m.needed && !t.stored && IsOpen(t.state) && t.state != TaskState::kCommitting &&
          !ReadByOpen(m.task, nullptr)) {
        return name + "comes along with nobody";
      }
      if ((t.state == TaskState::kLeased) != !t.attempts.empty() && t.state != TaskState::kCommitting) {
        return name + "leased to nobody, or in the hands of a worker without a lease";
      }
      if (t.state == TaskState::kReady && t.retry_at > now_) {
        const bool delayed =
            std::any_of(delayed_.begin(), delayed_.end(), [&](TaskRef r) { return r.index == m.task; });
        if (!delayed) return name + "is to be tried again, but nobody will";
      }
    }
    if (open != job.open || failed != job.failed) return absl::StrCat("job ", number, ": wrong sums");
    for (size_t g = 0; g < groups.size(); ++g) {
      const Group& is = job.groups[g];
      if (is.total != groups[g].total || is.running != groups[g].running ||
          is.open + is.rendered + is.reused + is.failed != is.total) {
        return absl::StrCat("job ", number, " group ", g, ": wrong counts");
      }
    }
  }
  for (const auto& [number, w] : workers_.all()) {
    for (TaskIndex t : w.leased) {
      const auto& attempts = tasks_[t].attempts;
      const bool mine = std::any_of(attempts.begin(), attempts.end(),
                                    [of = number](const Attempt& a) { return a.worker == of && !a.handed_in; });
      if (!mine) return absl::StrCat("worker ", w.id, ": has a task that does not know it");
    }
  }
  return "";
}

}  // namespace selvage::sched
