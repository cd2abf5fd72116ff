// Video curves for what is encoded only to be decoded again: in binary32, four times
// as fast as transfer.h. Compiled for every SIMD target, the same bits on each.
#pragma once

#include <cstddef>

#include "proto/values.pb.h"

namespace selvage::worker {

// Within 1e-6 of the value of ENCODING_SRGB and ENCODING_BT709, others are not known.
// Infinities and what is no number stay. `in` and `out` may be the same.
void QuickEncodeRow(Encoding encoding, const float* in, float* out, size_t count);
void QuickDecodeRow(Encoding encoding, const float* in, float* out, size_t count);

}  // namespace selvage::worker
