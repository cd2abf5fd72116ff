#include "client/stopper.h"

#include <algorithm>

namespace selvage::client {

void Stopper::Stop() {
  std::lock_guard<std::mutex> lock(mutex_);
  stopped_ = true;
  for (grpc::ClientContext* context : contexts_) context->TryCancel();
}

bool Stopper::stopped() const {
  std::lock_guard<std::mutex> lock(mutex_);
  return stopped_;
}

void Stopper::Watch(grpc::ClientContext* context) {
  std::lock_guard<std::mutex> lock(mutex_);
  contexts_.push_back(context);
  if (stopped_) context->TryCancel();
}

void Stopper::Leave(grpc::ClientContext* context) {
  std::lock_guard<std::mutex> lock(mutex_);
  contexts_.erase(std::remove(contexts_.begin(), contexts_.end(), context), contexts_.end());
}

}  // namespace selvage::client
