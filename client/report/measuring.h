// Asks the daemon for the figures of many frames at once.
#pragma once

#include <atomic>
#include <condition_variable>
#include <functional>
#include <mutex>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "client/connection.h"
#include "proto/ops/internal.pb.h"
#include "proto/report.pb.h"

namespace selvage::client {

// Asks for all frames of all passes, several at once. The first one (in order)
// that fails ends it.
class Measuring {
 public:
  // What makes faults of a stack readable.
  using Refuse = std::function<absl::Status(const google::protobuf::RepeatedPtrField<StackError>&)>;

  Measuring(Connection* connection, const Stack& stack, const MeasureMatte& measure, Refuse refuse, ShotReport* report);

  // Says on standard error how far it is.
  absl::Status Run();
  // Tells `progress` now and then, and may be ended from another thread.
  absl::Status Run(const std::function<void(size_t done, size_t of)>& progress, Stopper* stopper);

 private:
  struct Place {
    const std::string* pass;
    PassReport::Frame* frame;
  };

  uint32_t AtOnce();
  void Work();
  absl::Status Ask(const Place& place, LookRequest* request);

  Connection* connection_;
  const Stack& stack_;
  const MeasureMatte& measure_;
  Refuse refuse_;
  std::vector<Place> places_;
  std::atomic<size_t> next_{0}, done_{0}, failed_{SIZE_MAX};
  Stopper* stopper_ = nullptr;
  std::mutex mutex_;
  std::condition_variable an_end_;
  size_t ended_ = 0;
  absl::Status failure_;
};

}  // namespace selvage::client
