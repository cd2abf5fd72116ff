// Threads for calls of the daemon, which wait for it.
#pragma once

#include <condition_variable>
#include <deque>
#include <functional>
#include <mutex>
#include <thread>
#include <vector>

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

}  // namespace selvage::client
