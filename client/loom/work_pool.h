// Threads for calls of the daemon, which wait for it.
#pragma once

#include <condition_variable>
#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <thread>
#include <vector>

#include "grpcpp/client_context.h"

namespace selvage::client {

class WorkPool {
 public:
  explicit WorkPool(int threads, size_t most_waiting);
  // Waits for what runs; what has not begun is left out.
  ~WorkPool();

  // False: too much waits already.
  bool Run(std::function<void()> work);

 private:
  void Loop();

  const size_t most_waiting_;
  std::mutex mutex_;
  std::condition_variable more_;
  std::deque<std::function<void()>> waiting_;
  bool ending_ = false;
  std::vector<std::thread> threads_;
};

// Ends a call that runs on another thread.
class Stopper {
 public:
  void Stop();
  bool stopped() const;
  // Of a call that begins; a call of one that is stopped already ends at once.
  void Watch(grpc::ClientContext* context);
  // Before the context goes.
  void Leave(grpc::ClientContext* context);

 private:
  mutable std::mutex mutex_;
  bool stopped_ = false;
  std::vector<grpc::ClientContext*> contexts_;
};

// A context that a Stopper can end.
class StoppableCall {
 public:
  StoppableCall(Stopper* stopper, std::unique_ptr<grpc::ClientContext> context)
      : stopper_(stopper), context_(std::move(context)) {
    stopper_->Watch(context_.get());
  }
  // The context of another one, which a second stopper may end, too.
  StoppableCall(Stopper* stopper, const StoppableCall& other) : stopper_(stopper), shared_(other.get()) {
    stopper_->Watch(shared_);
  }
  ~StoppableCall() { stopper_->Leave(get()); }
  StoppableCall(const StoppableCall&) = delete;
  StoppableCall& operator=(const StoppableCall&) = delete;
  grpc::ClientContext* get() const { return context_ ? context_.get() : shared_; }

 private:
  Stopper* stopper_;
  std::unique_ptr<grpc::ClientContext> context_;
  grpc::ClientContext* shared_ = nullptr;
};

}  // namespace selvage::client
