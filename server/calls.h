// What the services share: statuses on the wire, and one base for all calls that
// stay open, which must be ended when the daemon goes down.
#pragma once

#include <grpcpp/support/server_callback.h>
#include <grpcpp/support/status.h>

#include <atomic>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <string>
#include <utility>

#include "absl/base/thread_annotations.h"
#include "absl/status/statusor.h"
#include "proto/mutex.h"
#include "server/door/caller.h"

namespace selvage {

class Door;

grpc::Status ToGrpc(const absl::Status& status);

// A call that stays open: a stream, or a unary call that waits.
class OpenCall {
 public:
  virtual ~OpenCall() = default;
  // Ends it, once; harmless when it is over.
  virtual void End(const absl::Status& why) = 0;
};

// Who calls, and the calls that stay open. gRPC's Shutdown does not return while a callback
// call is unfinished, whatever its deadline: so every open one is known here.
class OpenCalls {
 public:
  // Without a door all calls come from this machine.
  explicit OpenCalls(const Door* door = nullptr) : door_(door) {}

  // Errors: UNAUTHENTICATED the token is no longer good.
  absl::StatusOr<Caller> Who(const grpc::ServerContextBase& context) const;

  // Ends it at once if its caller is not known or has too many.
  void Add(const std::shared_ptr<OpenCall>& call, const grpc::ServerContextBase& context);
  void Remove(const std::shared_ptr<OpenCall>& call);
  // Those whose token was revoked or has run out.
  void EndUnwelcome();
  // From now on new calls are ended at once.
  void EndAll(const absl::Status& why);

 private:
  absl::Status TryToAdd(const std::shared_ptr<OpenCall>& call, const grpc::ServerContextBase& context);

  const Door* const door_;
  Mutex mutex_;
  bool closing_ ABSL_GUARDED_BY(mutex_) = false;
  std::map<std::shared_ptr<OpenCall>, Caller> calls_ ABSL_GUARDED_BY(mutex_);
  // How many, by the name of the token.
  std::map<std::string, size_t> held_ ABSL_GUARDED_BY(mutex_);
};

// gRPC may call back from within StartRead, StartWrite and Finish.
class ABSL_LOCKABLE CallMutex {
 public:
  void lock() ABSL_EXCLUSIVE_LOCK_FUNCTION() { mutex_.lock(); }
  void unlock() ABSL_UNLOCK_FUNCTION() { mutex_.unlock(); }

 private:
  std::recursive_mutex mutex_;
};
class ABSL_SCOPED_LOCKABLE CallLock {
 public:
  explicit CallLock(CallMutex* mutex) ABSL_EXCLUSIVE_LOCK_FUNCTION(mutex) : mutex_(mutex) { mutex_->lock(); }
  ~CallLock() ABSL_UNLOCK_FUNCTION() { mutex_->unlock(); }
  CallLock(const CallLock&) = delete;
  CallLock& operator=(const CallLock&) = delete;

 private:
  CallMutex* const mutex_;
};

// Base of our reactors. Lives until gRPC is done with it, is finished once, and
// starts nothing after that.
template <class Reactor>
class Call : public Reactor, public OpenCall, public std::enable_shared_from_this<Call<Reactor>> {
 public:
  // From any thread.
  void End(const absl::Status& why) final {
    CallLock lock(&mutex_);
    if (std::exchange(finished_, true)) return;
    OnEnd(why);
    this->Finish(ToGrpc(why));
  }

 protected:
  explicit Call(OpenCalls* calls) : calls_(calls) {}

  // Once, after it was made. May end it.
  void Open(const grpc::ServerContextBase& context) {
    self_ = this->shared_from_this();
    calls_->Add(self_, context);
  }
  // Runs `start`, which may read or write, unless the call is over.
  template <class Start>
  void IfOpen(Start start) {
    CallLock lock(&mutex_);
    if (!finished_) start();
  }
  bool over() {
    CallLock lock(&mutex_);
    return finished_;
  }

  // Just before it is finished, under the lock.
  virtual void OnEnd(const absl::Status&) {}
  // The other side went away before the end.
  virtual void OnGone() {}
  // gRPC is done with it.
  virtual void OnClosed() {}

  void OnCancel() final {
    OnGone();
    End(absl::CancelledError("the other side went away"));
  }
  void OnDone() final {
    const std::shared_ptr<OpenCall> self = std::exchange(self_, nullptr);
    OnClosed();
    calls_->Remove(self);
  }

 private:
  OpenCalls* const calls_;
  std::shared_ptr<OpenCall> self_;  // until OnDone
  CallMutex mutex_;
  bool finished_ ABSL_GUARDED_BY(mutex_) = false;
};

// A unary call that may take long, or be given up by its client.
template <class Reply>
class UnaryCall final : public Call<grpc::ServerUnaryReactor> {
 public:
  static std::shared_ptr<UnaryCall> Start(OpenCalls* calls, const grpc::ServerContextBase& context, Reply* reply) {
    std::shared_ptr<UnaryCall> call(new UnaryCall(calls, reply));
    call->Open(context);
    return call;
  }
  using Call::over;

  // What to do with the result: fills the reply and ends the call.
  std::function<void(absl::StatusOr<Reply>)> Answer() {
    return [call = std::static_pointer_cast<UnaryCall>(shared_from_this())](absl::StatusOr<Reply> result) {
      call->IfOpen([&] {
        if (result.ok()) *call->reply_ = *std::move(result);
        call->End(result.status());
      });
    };
  }
  // Whether the client has gone; may be asked from any thread.
  std::function<bool()> gone() const {
    return [gone = gone_] { return gone->load(); };
  }
  // Called when the client goes, at once if it has gone.
  void WhenGone(std::function<void()> then) {
    bool already = false;
    {
      MutexLock lock(&then_mutex_);
      already = gone_->load();
      if (!already) then_ = std::move(then);
    }
    if (already) then();
  }

 private:
  UnaryCall(OpenCalls* calls, Reply* reply) : Call(calls), reply_(reply) {}
  void OnGone() override {
    std::function<void()> then;
    {
      MutexLock lock(&then_mutex_);
      *gone_ = true;
      then = std::exchange(then_, nullptr);
    }
    if (then) then();
  }

  Reply* const reply_;  // until the end
  const std::shared_ptr<std::atomic<bool>> gone_ = std::make_shared<std::atomic<bool>>(false);
  Mutex then_mutex_;
  std::function<void()> then_ ABSL_GUARDED_BY(then_mutex_);
};

}  // namespace selvage
