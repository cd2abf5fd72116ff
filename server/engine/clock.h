// The time, injected: tests bring their own.
#pragma once

#include <cstdint>

namespace selvage {

// All methods may be called from any thread.
class Clock {
 public:
  virtual ~Clock() = default;
  // Of a clock that never goes back.
  virtual double Seconds() const = 0;
  virtual int64_t UnixMilliseconds() const = 0;

  // This machine's own.
  static const Clock& Real();
};

}  // namespace selvage
