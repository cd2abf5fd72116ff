// Inner loops of a turned picture: compiled for every SIMD target, the same bits on each.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

namespace selvage::worker {

// Pixels that are made at a time.
inline constexpr int kTurnBlock = 128;
inline constexpr int kMostTurnTaps = 6;

// Places along one axis of the source: step x (pixel + 0.5) + before + origin.
struct TurnPlaces {
  double step, before, origin;
  int first_pixel;
  // The source has samples low .. high - 1.
  int low, high;
};

// Taps of a block of pixels along one axis of the source.
struct TurnTaps {
  // Where the taps begin.
  std::array<int32_t, kTurnBlock> first;
  // 1 where all taps lie within the source and the outer ones count for something. The rest
  // of such a pixel only means something here.
  std::array<int32_t, kTurnBlock> whole;
  // weights[tap][pixel]
  std::array<std::array<float, kTurnBlock>, kMostTurnTaps> weights;
};

// `values` are those of a kernel of `support` (2 or 3) pixels at `steps` places a pixel, and
// one more; between them it is straight. Weights are normalised to 1.
void MakeTurnTaps(const float* values, int steps, int support, const TurnPlaces& places, int count, TurnTaps* taps);

// For the pixels that are whole both ways: the weighted sum of samples of 1 or 4 channels,
// which lie side by side in `samples` and `out`; `stride` floats from one row to the next.
// `samples` is where first = 0 would be both ways.
void SumTurnTaps(const float* samples, ptrdiff_t stride, int channels, int support, const TurnTaps& across,
                 const TurnTaps& down, int count, float* out);

}  // namespace selvage::worker
