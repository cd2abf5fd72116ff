// Exact Euclidean distance transform of a bitmap.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "worker/picture/buffer_pool.h"

namespace selvage::worker {

// For every pixel of a width x height bitmap (row by row) the squared distance
// to the nearest zero pixel, between pixel centres: 0 for zero pixels,
// kNoZeroPixel everywhere if there are none. Exact whole numbers; sizes up to
// 16,384. Source: Felzenszwalb & Huttenlocher, Distance Transforms of Sampled
// Functions (2004).
constexpr int32_t kNoZeroPixel = INT32_MAX;
std::vector<int32_t> SquaredDistanceToZero(std::span<const uint8_t> bitmap, int width, int height);

// The same to the nearest pixel that is not zero, as far as `reach`: beyond it
// (reach + 1)^2. Many times faster. REQUIRES: 1 <= reach <= 127.
PooledVector<int16_t> SquaredDistanceUpTo(std::span<const uint8_t> bitmap, int width, int height, int reach);

}  // namespace selvage::worker
