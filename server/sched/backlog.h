// How much a farm has to do now, and how many slots that is worth.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>

namespace selvage::sched {

struct Backlog {
  // Slots that are busy with what a job needs, on workers that stay.
  uint64_t running = 0;
  // Tasks that a free slot could begin at once, and those of them that nothing is known of.
  uint64_t ready = 0, unmeasured = 0;
  // What they and all that hangs from them will take of one slot, as far as that is known.
  double seconds = 0;
};

// A slot that comes only for these tasks must be worth its coming: a process that starts on
// a machine that has to be found first takes about as long as this.
inline constexpr double kSecondsWorthASlot = 10;
// More than one daemon is meant to feed.
inline constexpr uint64_t kMostWantedSlots = 4096;

// How many slots there should be: those that are busy, and one for each task that is ready,
// but only as many of these as find `kSecondsWorthASlot` of work; tasks of which nothing is
// known count fully. 0 when there is nothing to do. What waits for what runs is not counted
// until it is ready: a farm that follows this figure grows when the work does.
inline uint32_t WantedSlots(const Backlog& d) {
  const double worth = std::ceil(std::max(0.0, d.seconds) / kSecondsWorthASlot) + static_cast<double>(d.unmeasured);
  const double more = std::min(static_cast<double>(d.ready), worth);
  return static_cast<uint32_t>(std::min(static_cast<double>(d.running) + more, static_cast<double>(kMostWantedSlots)));
}

}  // namespace selvage::sched
