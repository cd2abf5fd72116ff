// SIGTERM and SIGINT, waited for by a thread of their own.
#pragma once

#include <functional>
#include <thread>

namespace selvage::worker {

class StopSignals {
 public:
  // Blocks both signals for this thread and those that it starts from now on: make it
  // before any other thread.
  StopSignals();
  ~StopSignals() { End(); }
  StopSignals(const StopSignals&) = delete;
  StopSignals& operator=(const StopSignals&) = delete;

  // Calls `first` at the first signal and `second` at the next, both on another thread.
  // Once. What they use must live until End.
  void Watch(std::function<void()> first, std::function<void()> second);
  // Ends the waiting; what a signal called has returned then. More than once is no harm.
  void End();

 private:
  void Wait(const std::function<void()>& first, const std::function<void()>& second);

  int signals_ = -1;  // a signalfd
  int end_ = -1;      // an eventfd: readable when the waiting is to end
  std::thread waiting_;
};

}  // namespace selvage::worker
