// Rows of samples through the encodings of proto/values.proto, and other
// pointwise curves. Same bits on every SIMD target; NaN in, NaN out.
//
// Sources: IEC 61966-2-1 (srgb), ITU-R BT.709-6 item 1.2 (bt709), Cinesite's
// note on printing density of 1993 with black offset, AMPAS S-2016-001
// (acescct). The straight toes of srgb, bt709 and acescct go on below zero.
// Printing density has no soft clip and keeps codes below black (95) as negative light;
// light darker than code 0 (-0.00565) encodes as code 0.
#pragma once

#include <cstddef>

#include "proto/values.pb.h"

namespace selvage::worker {

// Code values (0..1 for the range of the file) to scene-linear light.
// `in` and `out` may be the same.
void DecodeRow(Encoding encoding, const float* in, float* out, size_t count);

// Scene-linear light to code values, the inverse.
void EncodeRow(Encoding encoding, const float* in, float* out, size_t count);

// x^exponent where x > 0; values at or below 0 pass unchanged.
void PowerRow(double exponent, const float* in, float* out, size_t count);

}  // namespace selvage::worker
