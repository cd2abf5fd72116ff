// How much room the cache takes, as eviction sees it.
#pragma once

#include <atomic>
#include <chrono>
#include <cstdint>
#include <limits>

#include "absl/status/status.h"
#include "proto/mutex.h"

namespace selvage {

// All methods may be called from any thread.
class Space {
 public:
  virtual ~Space() = default;
  // Bytes really allocated, of everything that counts against the budget. May
  // take milliseconds.
  virtual uint64_t AllocatedBytes() = 0;
  // Bytes that the disk has left for everybody.
  virtual uint64_t AvailableBytes() = 0;
  // Those of the allocated that hold nothing any more and that Reclaim would give back.
  virtual uint64_t GarbageBytes() = 0;
  // Gives back some of the garbage. May take minutes.
  virtual absl::Status Reclaim() = 0;
  // A Reclaim that runs, and every later one, returns soon and with an error.
  virtual void StopReclaiming() = 0;
};

// What is known of the room between two measurements: the last one, and what
// was put since. Full at 95 % of the budget: the rest is for what RocksDB writes
// while it gives space back.
class Fill {
 public:
  void Measured(uint64_t bytes, uint64_t budget_bytes) {
    limit_bytes_ = budget_bytes / 100 * 95;
    filling_bytes_ = budget_bytes / 100 * 90;
    bytes_ = bytes;
  }
  void Added(uint64_t bytes) {
    const uint64_t before = bytes_.fetch_add(bytes), filling = filling_bytes_;
    if (before < filling && before + bytes >= filling) Wake();
  }
  bool full() const { return bytes_ >= limit_bytes_; }
  uint64_t bytes() const { return bytes_; }

  // Returns after this time, or as soon as what is added comes to 90 % of the
  // budget, or after Wake.
  void Wait(std::chrono::steady_clock::duration time) {
    MutexLock lock(&mutex_);
    mutex_.AwaitFor(time, [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return awake_; });
    awake_ = false;
  }
  void Wake() {
    {
      MutexLock lock(&mutex_);
      awake_ = true;
    }
  }

 private:
  std::atomic<uint64_t> limit_bytes_{std::numeric_limits<uint64_t>::max()};
  std::atomic<uint64_t> filling_bytes_{std::numeric_limits<uint64_t>::max()};
  std::atomic<uint64_t> bytes_{0};
  Mutex mutex_;
  bool awake_ ABSL_GUARDED_BY(mutex_) = false;
};

}  // namespace selvage
