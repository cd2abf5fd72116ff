// Threads for everything that waits: disk, index, planning. gRPC reactions and
// the strand never do.
#pragma once

#include <functional>
#include <memory>

namespace selvage {

class Pool {
 public:
  explicit Pool(int threads);
  ~Pool();
  Pool(const Pool&) = delete;
  Pool& operator=(const Pool&) = delete;

  // Runs on any thread of the pool, in any order.
  void Post(std::function<void()> work);
  // Runs one at a time, in the order posted: the strand, on which all state of
  // the daemon lives. Must not wait for anything.
  void PostSerial(std::function<void()> work);
  // On the strand, every `seconds` until Stop.
  void EverySerial(double seconds, std::function<void()> work);

  // Finishes what was posted, takes nothing more. Call it before what the work
  // refers to goes away; not from a thread of the pool.
  void Stop();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace selvage
