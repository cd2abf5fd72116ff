// Parts of rows that are worth working on.
#pragma once

#include <algorithm>
#include <cstdint>
#include <cstring>

namespace selvage::worker {

// Pixels that are worked out together: a full vector on any machine.
constexpr int kTogether = 16;

inline bool AnyBit(const uint8_t* bits, int count) {
  if (count < kTogether) return std::memchr(bits, 1, count) != nullptr;
  uint64_t words[kTogether / 8];
  std::memcpy(words, bits, kTogether);
  return (words[0] | words[1]) != 0;
}

// Calls use(x0, x1) for stretches, whole blocks of kTogether, that hold all pixels
// that are set.
template <class Use>
void ForStretches(const uint8_t* bits, int width, const Use& use) {
  int from = -1;
  for (int x = 0; x < width; x += kTogether) {
    const bool any = AnyBit(bits + x, std::min(kTogether, width - x));
    if (any && from < 0) from = x;
    if (!any && from >= 0) use(from, x), from = -1;
  }
  if (from >= 0) use(from, width);
}

}  // namespace selvage::worker
