#include "server/calls.h"

#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/door/door.h"

namespace selvage {
namespace {

// A person's commands hold a few; a fetch reads some files side by side.
constexpr size_t kMostCallsOfAPerson = 64;
// One token may be that of a whole farm: 1,000 slots, a few streams each.
constexpr size_t kMostCallsOfWorkers = 8192;

}  // namespace

grpc::Status ToGrpc(const absl::Status& status) {
  if (status.ok()) return grpc::Status::OK;
  // Messages travel in trailers, which are limited to 8 KiB in all.
  constexpr size_t kMaxMessage = 4000;
  std::string message(status.message());
  if (message.size() > kMaxMessage) message.resize(kMaxMessage);
  // The codes are the same numbers by design of both libraries.
  return grpc::Status(static_cast<grpc::StatusCode>(status.raw_code()), message);
}

absl::StatusOr<Caller> OpenCalls::Who(const grpc::ServerContextBase& context) const {
  return door_ != nullptr ? door_->Who(context) : Caller();
}

void OpenCalls::Add(const std::shared_ptr<OpenCall>& call, const grpc::ServerContextBase& context) {
  if (absl::Status s = TryToAdd(call, context); !s.ok()) call->End(s);
}

absl::Status OpenCalls::TryToAdd(const std::shared_ptr<OpenCall>& call, const grpc::ServerContextBase& context) {
  ASSIGN_OR_RETURN(const Caller caller, Who(context));
  const size_t most = caller.role == Token::WORKER ? kMostCallsOfWorkers : kMostCallsOfAPerson;
  MutexLock lock(&mutex_);
  if (closing_) return absl::UnavailableError("the daemon is going down");
  if (!caller.local() && held_[caller.name] >= most) {
    return absl::ResourceExhaustedError(
        absl::StrCat(caller.name, " has ", most, " calls open already; let some end first"));
  }
  if (!caller.local()) ++held_[caller.name];
  calls_.emplace(call, caller);
  return absl::OkStatus();
}

void OpenCalls::Remove(const std::shared_ptr<OpenCall>& call) {
  MutexLock lock(&mutex_);
  const auto it = calls_.find(call);
  if (it == calls_.end()) return;
  const std::string& name = it->second.name;
  if (!name.empty() && --held_[name] == 0) held_.erase(name);
  calls_.erase(it);
}

void OpenCalls::EndUnwelcome() {
  if (door_ == nullptr) return;
  std::vector<std::shared_ptr<OpenCall>> unwelcome;
  {
    MutexLock lock(&mutex_);
    for (const auto& [call, caller] : calls_) {
      if (!door_->StillGood(caller)) unwelcome.push_back(call);
    }
  }
  for (const auto& call : unwelcome) call->End(absl::UnauthenticatedError("the token was revoked, or has run out"));
}

void OpenCalls::EndAll(const absl::Status& why) {
  std::map<std::shared_ptr<OpenCall>, Caller> calls;
  {
    MutexLock lock(&mutex_);
    closing_ = true;
    calls = calls_;
  }
  // Without the lock: the end of a call removes it.
  for (const auto& [call, caller] : calls) call->End(why);
}

}  // namespace selvage
