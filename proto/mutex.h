// A mutex whose rules Clang checks (-Wthread-safety): std::mutex with annotations.
// Not absl::Mutex: Debian's is not built for the thread sanitizer, which would then
// see races where there are none.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>

#include "absl/base/thread_annotations.h"

namespace selvage {

class ABSL_LOCKABLE Mutex {
 public:
  void Lock() ABSL_EXCLUSIVE_LOCK_FUNCTION() { mutex_.lock(); }
  void Unlock() ABSL_UNLOCK_FUNCTION() { mutex_.unlock(); }

 private:
  friend class Condition;
  std::mutex mutex_;
};

// Locks for a scope.
class ABSL_SCOPED_LOCKABLE MutexLock {
 public:
  explicit MutexLock(Mutex* mutex) ABSL_EXCLUSIVE_LOCK_FUNCTION(mutex) : mutex_(mutex) { mutex_->Lock(); }
  ~MutexLock() ABSL_UNLOCK_FUNCTION() { mutex_->Unlock(); }
  MutexLock(const MutexLock&) = delete;
  MutexLock& operator=(const MutexLock&) = delete;

 private:
  Mutex* const mutex_;
};

// Waits until something is so. `is_so` is called with the mutex held; where it reads
// what the mutex guards, it says so: [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { ... }
class Condition {
 public:
  template <class IsSo>
  void Wait(Mutex* mutex, IsSo is_so) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) {
    std::unique_lock lock(mutex->mutex_, std::adopt_lock);
    changed_.wait(lock, is_so);
    lock.release();
  }
  // False if it is not so in time.
  template <class Clock, class Duration, class IsSo>
  bool WaitUntil(Mutex* mutex, const std::chrono::time_point<Clock, Duration>& end, IsSo is_so)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) {
    std::unique_lock lock(mutex->mutex_, std::adopt_lock);
    const bool so = changed_.wait_until(lock, end, is_so);
    lock.release();
    return so;
  }
  void NotifyOne() { changed_.notify_one(); }
  void NotifyAll() { changed_.notify_all(); }

 private:
  std::condition_variable changed_;
};

}  // namespace selvage
