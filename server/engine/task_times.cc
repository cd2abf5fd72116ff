#include "server/engine/task_times.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"

namespace selvage {
namespace {

// A message of the reply; far below what gRPC takes in one.
constexpr size_t kPartBytes = 256 << 10;

int64_t Microseconds(double seconds) { return std::llround(seconds * 1e6); }

}  // namespace

TaskTimes::Job* TaskTimes::Find(const std::string& job_id) {
  const auto job = std::find_if(jobs_.begin(), jobs_.end(), [&](const Job& j) { return j.id == job_id; });
  return job == jobs_.end() ? nullptr : &*job;
}

void TaskTimes::ForgetOldest() {
  tasks_ -= jobs_.front().tasks;
  bytes_ -= jobs_.front().bytes;
  jobs_.pop_front();
}

void TaskTimes::Begin(const std::string& job_id, double now) {
  if (Find(job_id) != nullptr) return;
  jobs_.push_back({.id = job_id, .submitted = now});
  while (jobs_.size() > limits_.jobs) ForgetOldest();
}

void TaskTimes::Add(const std::string& job_id, const Times& times, TracedTask task) {
  Job* job = Find(job_id);
  if (job == nullptr) return;
  const auto since = [&](double time) { return Microseconds(std::max(0.0, time - job->submitted)); };
  task.set_leased_us(since(times.leased));
  task.set_ready_us(std::min(since(times.ready), task.leased_us()));
  task.set_finished_us(std::max(since(times.finished), task.leased_us()));
  task.set_committed_us(std::max(since(times.committed), task.finished_us()));
  KeepWithin(static_cast<uint64_t>(task.finished_us() - task.leased_us()), &task);
  TraceReply one;
  *one.add_task() = std::move(task);
  // Messages one behind another are one message with all that is repeated.
  const std::string bytes = one.SerializeAsString();
  while (tasks_ + 1 > limits_.tasks || bytes_ + bytes.size() > limits_.bytes) {
    if (jobs_.front().id == job_id) {
      ++job->left_out;
      return;
    }
    ForgetOldest();
    job = Find(job_id);
  }
  if (job->parts.empty() || job->parts.back()->size() + bytes.size() > kPartBytes) {
    job->parts.push_back(std::make_shared<std::string>());
  }
  *job->parts.back() += bytes;
  job->bytes += bytes.size();
  bytes_ += bytes.size();
  ++job->tasks;
  ++tasks_;
}

void TaskTimes::LeaveOut(const std::string& job_id) {
  if (Job* job = Find(job_id)) ++job->left_out;
}

absl::StatusOr<TaskTimes::Parts> TaskTimes::Get(const std::string& job_id) const {
  const Job* job = const_cast<TaskTimes*>(this)->Find(job_id);
  if (job == nullptr) {
    return absl::FailedPreconditionError(absl::StrCat("nothing is known of the times of job ", job_id,
                                                      ": only of the newest ", limits_.jobs, " jobs (and ",
                                                      limits_.tasks, " tasks) since the daemon was started"));
  }
  Parts parts(job->parts.begin(), job->parts.end());
  // That one still grows.
  if (!parts.empty()) parts.back() = std::make_shared<const std::string>(*parts.back());
  TraceReply last;
  last.set_left_out(job->left_out);
  parts.push_back(std::make_shared<const std::string>(last.SerializeAsString()));
  return parts;
}

void KeepWithin(uint64_t available_us, TracedTask* task) {
  auto* spans = task->mutable_span();
  spans->erase(
      std::remove_if(spans->begin(), spans->end(), [&](const Span& span) { return span.start_us() >= available_us; }),
      spans->end());
  for (Span& span : *spans) span.set_length_us(std::min(span.length_us(), available_us - span.start_us()));
}

}  // namespace selvage
