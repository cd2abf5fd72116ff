// What the services share: statuses on the wire, and calls that must be ended
// when the daemon goes down.
#pragma once

#include <grpcpp/support/status.h>

#include <memory>
#include <mutex>
#include <set>

#include "absl/status/status.h"

namespace selvage {

grpc::Status ToGrpc(const absl::Status& status);

// A call that stays open: a stream, or a unary call that waits.
class OpenCall {
 public:
  virtual ~OpenCall() = default;
  // Ends it, once; harmless when it is over.
  virtual void End(const absl::Status& why) = 0;
};

// gRPC's Shutdown does not return while a callback call is unfinished, whatever
// its deadline: so every open one is known here.
class OpenCalls {
 public:
  void Add(std::shared_ptr<OpenCall> call) {
    std::unique_lock<std::mutex> lock(mutex_);
    if (closing_) {
      lock.unlock();
      call->End(absl::UnavailableError("the daemon is going down"));
      return;
    }
    calls_.insert(std::move(call));
  }
  void Remove(const std::shared_ptr<OpenCall>& call) {
    std::lock_guard<std::mutex> lock(mutex_);
    calls_.erase(call);
  }
  // From now on new calls are ended at once.
  void EndAll(const absl::Status& why) {
    std::set<std::shared_ptr<OpenCall>> calls;
    {
      std::lock_guard<std::mutex> lock(mutex_);
      closing_ = true;
      calls = calls_;
    }
    // Without the lock: the end of a call removes it.
    for (const auto& call : calls) call->End(why);
  }

 private:
  std::mutex mutex_;
  bool closing_ = false;
  std::set<std::shared_ptr<OpenCall>> calls_;
};

}  // namespace selvage
