// How much room the cache takes, as eviction sees it.
#pragma once

#include <atomic>
#include <cstdint>

#include "absl/status/status.h"

namespace selvage {

// All methods may be called from any thread.
class Space {
 public:
  virtual ~Space() = default;
  // Bytes really allocated, of everything that counts against the budget. May
  // take milliseconds.
  virtual uint64_t AllocatedBytes() = 0;
  // Those of them that hold nothing any more and that Reclaim would give back.
  virtual uint64_t GarbageBytes() = 0;
  // Gives back some of the garbage. May take minutes.
  virtual absl::Status Reclaim() = 0;
  // A Reclaim that runs, and every later one, returns soon and with an error.
  virtual void StopReclaiming() = 0;
};

// What is known of the room between two measurements: the last one, and what
// was put since.
class Fill {
 public:
  explicit Fill(uint64_t limit_bytes) : limit_bytes_(limit_bytes) {}
  void Measured(uint64_t bytes) { bytes_ = bytes; }
  void Added(uint64_t bytes) { bytes_ += bytes; }
  bool full() const { return bytes_ >= limit_bytes_; }
  uint64_t bytes() const { return bytes_; }

 private:
  const uint64_t limit_bytes_;
  std::atomic<uint64_t> bytes_{0};
};

}  // namespace selvage
