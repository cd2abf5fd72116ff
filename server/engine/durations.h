// How long things took, as a monitoring system wants to hear it: how many took at most so long.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

namespace selvage {

struct Durations {
  // Seconds: of a look, a tweak, a short shot, a long one, a night.
  static constexpr std::array<double, 10> kAtMost = {0.1, 0.5, 2, 10, 60, 300, 900, 3600, 14400, 86400};

  void Add(double seconds) {
    size_t at = 0;
    while (at < kAtMost.size() && seconds > kAtMost[at]) ++at;
    ++count[at];
    sum += seconds;
  }

  // Each alone; the last is of those that took longer than all.
  std::array<uint64_t, kAtMost.size() + 1> count{};
  double sum = 0;
};

}  // namespace selvage
