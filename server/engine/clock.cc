#include "server/engine/clock.h"

#include <chrono>

namespace selvage {
namespace {

class RealClock final : public Clock {
 public:
  double Seconds() const override {
    return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
  }
  int64_t UnixMilliseconds() const override {
    const auto since = std::chrono::system_clock::now().time_since_epoch();
    return std::chrono::duration_cast<std::chrono::milliseconds>(since).count();
  }
};

}  // namespace

const Clock& Clock::Real() {
  static const RealClock clock;
  return clock;
}

}  // namespace selvage
