// 8x8 discrete cosine transform of a block of a plane.
#pragma once

#include <cstddef>

namespace selvage::worker {

// Orthonormal DCT-II of the 8x8 samples at `samples` (rows `stride` floats
// apart). coefficients[8 * v + u]: u horizontal, v vertical frequency. White
// noise of variance 1 has variance 1 in every coefficient.
void Dct8x8(const float* samples, ptrdiff_t stride, float* coefficients);

// The inverse; samples come out packed, 8 a row.
void InverseDct8x8(const float* coefficients, float* samples);

}  // namespace selvage::worker
