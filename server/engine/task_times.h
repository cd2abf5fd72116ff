// When the tasks of the newest jobs were ready, leased and done, and what their time went into.
// In memory, bounded: figures to look at, not a record.
#pragma once

#include <cstdint>
#include <deque>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/job.pb.h"

namespace selvage {

// On the strand.
class TaskTimes {
 public:
  struct Limits {
    size_t jobs = 20;
    // Of all jobs together, and their bytes.
    size_t tasks = 200'000;
    size_t bytes = 64 << 20;
  };
  explicit TaskTimes(const Limits& limits) : limits_(limits) {}

  // The job was submitted, or goes on after a restart. The oldest make room for it.
  void Begin(const std::string& job_id, double now);
  // Seconds of the daemon's clock.
  struct Times {
    double ready = 0, leased = 0, finished = 0, committed = 0;
  };
  // Fills in the times of the task and takes it up, if the job is one of those that are
  // remembered. Older jobs make room; where that is not enough it is left out.
  void Add(const std::string& job_id, const Times& times, TracedTask task);
  // One that is not known well enough to be written down.
  void LeaveOut(const std::string& job_id);

  // Serialised messages of TraceReply, to be sent one after another. Errors: FAILED_PRECONDITION.
  using Parts = std::vector<std::shared_ptr<const std::string>>;
  absl::StatusOr<Parts> Get(const std::string& job_id) const;

 private:
  struct Job {
    std::string id;
    double submitted = 0;
    // All but the last are full.
    std::vector<std::shared_ptr<std::string>> parts;
    size_t tasks = 0, bytes = 0;
    uint64_t left_out = 0;
  };
  Job* Find(const std::string& job_id);
  void ForgetOldest();

  const Limits limits_;
  // Oldest first.
  std::deque<Job> jobs_;
  size_t tasks_ = 0, bytes_ = 0;
};

// Only what lies in the `available_us` from lease to finish: a worker's figures are its own.
void KeepWithin(uint64_t available_us, TracedTask* task);

}  // namespace selvage
