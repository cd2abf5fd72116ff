#include "cache/use_counts.h"

#include <algorithm>

namespace selvage {
namespace {

constexpr int kRows = 4;
constexpr size_t kSlots = 1 << 18;
constexpr uint64_t kNotesBetweenHalvings = 10 * kSlots;

}  // namespace

UseCounts::UseCounts() : counters_(kRows * kSlots) {}

void UseCounts::Note(std::span<const ResultKey> keys) {
  MutexLock lock(&mutex_);
  for (const ResultKey& key : keys) {
    for (int row = 0; row < kRows; ++row) {
      uint8_t& counter = counters_[Slot(key, row)];
      if (counter < 255) ++counter;
    }
    if (++notes_ < kNotesBetweenHalvings) continue;
    notes_ = 0;
    for (uint8_t& counter : counters_) counter /= 2;
  }
}

int UseCounts::Count(const ResultKey& key) const {
  MutexLock lock(&mutex_);
  uint8_t least = 255;
  for (int row = 0; row < kRows; ++row) least = std::min(least, counters_[Slot(key, row)]);
  return least;
}

std::string UseCounts::Save() const {
  MutexLock lock(&mutex_);
  return std::string(counters_.begin(), counters_.end());
}

void UseCounts::Load(std::string_view saved) {
  MutexLock lock(&mutex_);
  if (saved.size() == counters_.size()) counters_.assign(saved.begin(), saved.end());
}

// A key is uniformly distributed already: each row takes four bytes of it.
size_t UseCounts::Slot(const ResultKey& key, int row) const {
  uint32_t part;
  std::memcpy(&part, key.digest.bytes.data() + 4 * row, sizeof part);
  return row * kSlots + part % kSlots;
}

}  // namespace selvage
