// A mutex whose rules Clang checks (-Wthread-safety), on which one can wait until
// something is so: std::mutex with annotations. Not absl::Mutex: Debian's is not built
// for the thread sanitizer, which would then see races where there are none.
#pragma once

#include <chrono>
#include <condition_variable>
#include <list>
#include <mutex>

#include "absl/base/thread_annotations.h"

namespace selvage {

class ABSL_LOCKABLE Mutex {
 public:
  void Lock() ABSL_EXCLUSIVE_LOCK_FUNCTION() { mutex_.lock(); }
  void Unlock() ABSL_UNLOCK_FUNCTION() {
    WakeOne();
    mutex_.unlock();
  }

  // Waits until something is so that changes under this mutex only; the mutex is free
  // meanwhile. `is_so` is cheap, is called with the mutex held by any thread that lets
  // it go, and says so where it reads what the mutex guards:
  // [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { ... }
  template <class IsSo>
  void Await(const IsSo& is_so) ABSL_EXCLUSIVE_LOCKS_REQUIRED(this) {
    Waiter waiter(this, is_so);
    while (!Ask(is_so)) {
      WakeOne();
      waiter.woken.wait(waiter.lock);
    }
  }
  // False if it is not so by `end`.
  template <class Clock, class Duration, class IsSo>
  bool AwaitUntil(std::chrono::time_point<Clock, Duration> end, const IsSo& is_so) ABSL_EXCLUSIVE_LOCKS_REQUIRED(this) {
    Waiter waiter(this, is_so);
    while (!Ask(is_so)) {
      WakeOne();
      if (waiter.woken.wait_until(waiter.lock, end) == std::cv_status::timeout) return Ask(is_so);
    }
    return true;
  }
  template <class Rep, class Period, class IsSo>
  bool AwaitFor(std::chrono::duration<Rep, Period> time, const IsSo& is_so) ABSL_EXCLUSIVE_LOCKS_REQUIRED(this) {
    return AwaitUntil(std::chrono::steady_clock::now() + time, is_so);
  }

 private:
  // In the list while it lives; the mutex is held before and after.
  struct Waiter {
    template <class IsSo>
    Waiter(Mutex* m, const IsSo& is_so)
        : mutex(m),
          lock(m->mutex_, std::adopt_lock),
          place(m->waiters_.insert(m->waiters_.end(), this)),
          asked(&is_so),
          ask([](const void* what) { return Ask(*static_cast<const IsSo*>(what)); }) {}
    ~Waiter() {
      mutex->waiters_.erase(place);
      lock.release();
    }
    Mutex* const mutex;
    std::unique_lock<std::mutex> lock;
    const std::list<Waiter*>::iterator place;
    const void* const asked;
    bool (*const ask)(const void*);
    std::condition_variable woken;
  };

  // Called with the mutex held. Clang cannot see that it is the same mutex that `is_so`
  // requires, so its check is switched off here.
  template <class IsSo>
  static bool Ask(const IsSo& is_so) ABSL_NO_THREAD_SAFETY_ANALYSIS {
    return is_so();
  }

  // Wakes who has waited longest for something that is so now. The others have their
  // turn when that one lets the mutex go: many threads that wait for one thing to do are
  // not all woken for it. Called under the mutex: once it is free, whoever was woken may
  // take it down.
  void WakeOne() {
    for (Waiter* waiter : waiters_) {
      if (!waiter->ask(waiter->asked)) continue;
      waiter->woken.notify_one();
      return;
    }
  }

  std::mutex mutex_;
  std::list<Waiter*> waiters_;  // under mutex_, longest waiting first
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

}  // namespace selvage
