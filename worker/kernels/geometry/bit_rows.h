// Row kernels of bitmaps: bytes of 0 or 1. Compiled for every SIMD target, the same
// bits on each. Outputs never overlap inputs.
#pragma once

#include <cstddef>
#include <cstdint>

namespace selvage::worker {

// 1 where value < limit, value > limit, value >= limit, low < value < high.
void BelowRow(const float* value, float limit, size_t n, uint8_t* bit);
void AboveRow(const float* value, float limit, size_t n, uint8_t* bit);
void ReachedRow(const float* value, float limit, size_t n, uint8_t* bit);
void WithinRow(const float* value, float low, float high, size_t n, uint8_t* bit);

// Adds the bits.
void AddBitsRow(const uint8_t* from, size_t n, uint8_t* to);
// Leaves those that are in both.
void KeepBitsRow(const uint8_t* from, size_t n, uint8_t* to);
// 1 where neither is set.
void NeitherRow(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to);
// How many are set. REQUIRES: n < 2^32.
uint32_t CountRow(const uint8_t* bits, size_t n);

// Where a bit is set, `from` in place of what is there.
void TakeRow(const uint8_t* bits, const float* from, size_t n, float* to);
// 0 where no bit is set.
void KeepRow(const uint8_t* bits, size_t n, float* values);

}  // namespace selvage::worker
