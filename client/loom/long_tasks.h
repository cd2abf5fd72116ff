// What takes longer than a request: measuring a shot, writing files. Each goes on when the
// page that began it is closed, and ends with the loom.
#pragma once

#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/frames.h"
#include "client/loom/work_pool.h"
#include "client/stopper.h"
#include "proto/report.pb.h"
#include "proto/stack.pb.h"

namespace selvage::client {

struct ReportWish {
  // Empty: what is delivered.
  std::vector<std::string> passes;
  std::string core, garbage;
  std::optional<int> first, last;
};

struct FetchWish {
  // Empty: all.
  std::string deliverable;
  Frames frames{INT32_MIN, INT32_MAX};
  bool overwrite = false;
};

class LongTasks {
 public:
  // Called from any thread when one is further than before.
  using Tell = std::function<void(const std::string& kind, const std::string& id, const std::string& event)>;

  LongTasks(Connection* connection, Tell tell);
  ~LongTasks();

  // Returns its id. Errors: RESOURCE_EXHAUSTED.
  absl::StatusOr<std::string> Report(const Stack& stack, const ReportWish& wish);
  absl::StatusOr<std::string> Fetch(const GetJobReply& job, const FetchWish& wish);

  // README.md, "Report" and "Fetch". Errors: NOT_FOUND.
  absl::StatusOr<std::string> Json(const std::string& kind, const std::string& id) const;

  void Stop() { stopper_.Stop(); }

 private:
  struct Task {
    std::string kind, id, state = "running", message;
    size_t done = 0, of = 0;
    // The last members of its JSON.
    std::string more;
  };
  using Progress = std::function<void(size_t done, size_t of)>;
  // What it says in the end, as members of an object.
  using Work = std::function<absl::StatusOr<std::string>(const Progress&)>;

  absl::StatusOr<std::string> Begin(const std::string& kind, Work work);
  std::string Event(const Task& task, bool whole) const;

  Connection* connection_;
  const Tell tell_;
  Stopper stopper_;
  mutable std::mutex mutex_;
  uint64_t next_id_ = 1;
  std::deque<std::shared_ptr<Task>> tasks_;
  WorkPool pool_{2, 8};
};

// The files of a job's deliverables on this machine, as JSON: which are there.
std::string DeliverablesJson(const GetJobReply& job);

}  // namespace selvage::client
