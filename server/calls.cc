#include "server/calls.h"

#include <string>

namespace selvage {

grpc::Status ToGrpc(const absl::Status& status) {
  if (status.ok()) return grpc::Status::OK;
  // Messages travel in trailers, which are limited to 8 KiB in all.
  constexpr size_t kMaxMessage = 4000;
  std::string message(status.message());
  if (message.size() > kMaxMessage) message.resize(kMaxMessage);
  // The codes are the same numbers by design of both libraries.
  return grpc::Status(static_cast<grpc::StatusCode>(status.raw_code()), message);
}

void OpenCalls::Add(std::shared_ptr<OpenCall> call) {
  {
    MutexLock lock(&mutex_);
    if (!closing_) {
      calls_.insert(std::move(call));
      return;
    }
  }
  call->End(absl::UnavailableError("the daemon is going down"));
}

void OpenCalls::Remove(const std::shared_ptr<OpenCall>& call) {
  MutexLock lock(&mutex_);
  calls_.erase(call);
}

void OpenCalls::EndAll(const absl::Status& why) {
  std::set<std::shared_ptr<OpenCall>> calls;
  {
    MutexLock lock(&mutex_);
    closing_ = true;
    calls = calls_;
  }
  // Without the lock: the end of a call removes it.
  for (const auto& call : calls) call->End(why);
}

}  // namespace selvage
