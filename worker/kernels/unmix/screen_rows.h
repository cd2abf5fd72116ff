// Row kernels of the screen under its noise: how far a pixel is from the screen, in
// its own light or in another. Compiled for every SIMD target, the same bits on each.
// Outputs never overlap inputs.
#pragma once

#include <cstddef>
#include <cstdint>

namespace selvage::worker {

// Variance of the noise = a * max(y, 0) + b in every channel; correlation between
// channels r-g, r-b, g-b.
struct NoiseTerms {
  float a = 0, b = 0;
  float correlation[3] = {0, 0, 0};
};
inline float NoiseVariance(float y, float a, float b) { return a * (y > 0.0f ? y : 0.0f) + b; }

// v * gain, held within `least`..65504; what is no number becomes `least` or 0,
// whichever is larger.
inline float Finite(float v, float gain, float least) {
  const float scaled = v * gain, none = least > 0.0f ? least : 0.0f;
  const float below = scaled < 65504.0f ? scaled : 65504.0f, within = below > least ? below : least;
  return scaled != scaled ? none : within;
}
void FiniteRow(const float* in, float gain, float least, size_t n, float* out);

// What is above `most` becomes that.
void AtMostRow(float most, size_t n, float* values);

// out[i] = (a[i] + b[i]) + c[i].
void AddThreeRow(const float* a, const float* b, const float* c, size_t n, float* out);

// out[i] = a[i] - b[i].
void MinusRow(const float* a, const float* b, size_t n, float* out);

// Squared distance of a mean over 3x3 pixels from the screen: sum over channels of
// (sum of 9 / 9)^2 / (share_of_mean * (a s + b) + (model s)^2). columns[c] are the
// sums of three rows of C - S, readable one sample before and after the n.
struct DistanceInputs {
  const float* columns[3];
  const float* screen[3];
};
void DistanceRow(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n, float* out);

// The same means against a screen in another light: ratio = the multiple of the
// screen that is nearest in units of variance, rest = squared distance from that.
void ShadeRow(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n, float* ratio,
              float* rest);

// alike[i] = rest[i] < most and low < ratio[i] < high.
void AlikeRow(const float* rest, float most, const float* ratio, float low, float high, size_t n, uint8_t* alike);
// shade: what is alike and where `here` changes by less than `slow` over four columns and from `above`
// to `below`; thin: that of it which is a thin line between them. `here` is readable two samples before
// and after the n.
void SlowRow(const uint8_t* alike, const float* here, const float* above, const float* below, float slow, size_t n,
             uint8_t* shade, uint8_t* thin);

// Mean over channels of (c - m)^2 / (a c + b).
void RoughnessRow(const float* const c[3], const float* const m[3], float a, float b, size_t n, float* out);
// m + g (c - m) in place of m, g = max(0, 1 - 1 / v), v the 3x3 mean of roughness;
// `columns` as above.
void ShrinkRow(const float* columns, const float* const c[3], float* const m[3], size_t n);

// C.u; S.u, not below `least`; and tint, C.u over the sum of C against the same of S.
void AxisRow(const float* const c[3], const float* const s[3], const float u[3], float least, size_t n, float* signal,
             float* of_screen, float* tint);

}  // namespace selvage::worker
