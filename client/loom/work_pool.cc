#include "client/loom/work_pool.h"

namespace selvage::client {

WorkPool::WorkPool(int threads, size_t most_waiting) : most_waiting_(most_waiting) {
  for (int i = 0; i < threads; ++i) threads_.emplace_back([this] { Loop(); });
}

WorkPool::~WorkPool() {
  {
    std::lock_guard<std::mutex> lock(mutex_);
    ending_ = true;
    waiting_.clear();
  }
  more_.notify_all();
  for (std::thread& t : threads_) t.join();
}

bool WorkPool::Run(std::function<void()> work) {
  {
    std::lock_guard<std::mutex> lock(mutex_);
    if (ending_ || waiting_.size() >= most_waiting_) return false;
    waiting_.push_back(std::move(work));
  }
  more_.notify_one();
  return true;
}

void WorkPool::Loop() {
  std::unique_lock<std::mutex> lock(mutex_);
  while (true) {
    more_.wait(lock, [this] { return ending_ || !waiting_.empty(); });
    if (ending_) return;
    std::function<void()> work = std::move(waiting_.front());
    waiting_.pop_front();
    lock.unlock();
    work();
    work = nullptr;
    lock.lock();
  }
}

}  // namespace selvage::client
