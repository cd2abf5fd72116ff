// Ends calls of the daemon from another thread.
#pragma once

#include <memory>
#include <mutex>
#include <vector>

#include "grpcpp/client_context.h"

namespace selvage::client {

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

// A context that a Stopper can end; without one, nobody can.
class StoppableCall {
 public:
  StoppableCall(Stopper* stopper, std::unique_ptr<grpc::ClientContext> context)
      : stopper_(stopper), context_(std::move(context)) {
    if (stopper_ != nullptr) stopper_->Watch(context_.get());
  }
  // The context of another one, which a second stopper may end, too.
  StoppableCall(Stopper* stopper, const StoppableCall& other) : stopper_(stopper), shared_(other.get()) {
    stopper_->Watch(shared_);
  }
  ~StoppableCall() {
    if (stopper_ != nullptr) stopper_->Leave(get());
  }
  StoppableCall(const StoppableCall&) = delete;
  StoppableCall& operator=(const StoppableCall&) = delete;
  grpc::ClientContext* get() const { return context_ ? context_.get() : shared_; }

 private:
  Stopper* stopper_;
  std::unique_ptr<grpc::ClientContext> context_;
  grpc::ClientContext* shared_ = nullptr;
};

}  // namespace selvage::client
