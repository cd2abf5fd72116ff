// Row kernels of the unmixing operators: compiled for every SIMD target, the same
// bits on each. Outputs never overlap inputs.
#pragma once

#include <cstddef>
#include <cstdint>

namespace selvage {

// Variance of the noise = a * max(y, 0) + b in every channel; correlation between
// channels r-g, r-b, g-b.
struct NoiseTerms {
  float a = 0, b = 0;
  float correlation[3] = {0, 0, 0};
};

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

// bit[i] = value[i] < limit; and alike[i] = rest[i] < most and low < ratio[i] < high.
void BelowRow(const float* value, float limit, size_t n, uint8_t* bit);
void AlikeRow(const float* rest, float most, const float* ratio, float low, float high, size_t n, uint8_t* alike);
// Adds what is alike and where `here` changes by less than `slow` over four columns
// and from `above` to `below`. `here` is readable two samples before and after the n.
void AddSlowRow(const uint8_t* alike, const float* here, const float* above, const float* below, float slow, size_t n,
                uint8_t* found);

// Adds the bits.
void AddBitsRow(const uint8_t* from, size_t n, uint8_t* to);
// Leaves those that are in both.
void KeepBitsRow(const uint8_t* from, size_t n, uint8_t* to);
// How many are set. REQUIRES: n < 2^32.
uint32_t CountRow(const uint8_t* bits, size_t n);
// 1 where low < value < high.
void WithinRow(const float* value, float low, float high, size_t n, uint8_t* bit);
// 1 where value > limit.
void AboveRow(const float* value, float limit, size_t n, uint8_t* bit);
// Of the search for the core. Solid: not sure, and the key above `solid` or `fair` and
// further away than that. Adds w, w key, w key^2 of the core to sums[0..2], w growing with
// the distance up to `away`. Drops what is below `limit`.
void SolidRow(const uint8_t* sure, const float* key, float solid, const uint8_t* fair, const int16_t* distance2,
              int16_t away2, size_t n, uint8_t* core);
void AddKeysRow(const uint8_t* core, const int16_t* distance2, float away, const float* key, size_t n,
                float* const sums[3]);
void DropRow(const float* key, const float* limit, size_t n, uint8_t* core);
// 1 where value >= limit.
void ReachedRow(const float* value, float limit, size_t n, uint8_t* bit);
// 1 where `core`, else 0 where `sure`, else the key held within 0..1.
void KnownRow(const uint8_t* sure, const uint8_t* core, const float* key, size_t n, float* alpha);
// 1 where neither is set.
void NeitherRow(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to);
// Where a bit is set, `from` in place of what is there.
void TakeRow(const uint8_t* bits, const float* from, size_t n, float* to);
// 0 where no bit is set.
void KeepRow(const uint8_t* bits, size_t n, float* values);
// Where alpha is 1 `solid`, elsewhere soft * gain.
void UnderRow(const float* alpha, const float* solid, const float* soft, float gain, size_t n, float* to);

// Mean over channels of (c - m)^2 / (a c + b).
void RoughnessRow(const float* const c[3], const float* const m[3], float a, float b, size_t n, float* out);
// m + g (c - m) in place of m, g = max(0, 1 - 1 / v), v the 3x3 mean of roughness;
// `columns` as above.
void ShrinkRow(const float* columns, const float* const c[3], float* const m[3], size_t n);

// C.u; S.u, not below `least`; and tint, C.u over the sum of C against the same of S.
void AxisRow(const float* const c[3], const float* const s[3], const float u[3], float least, size_t n, float* signal,
             float* of_screen, float* tint);

// Adds w, w y (3) and w y y' (rr rg rb gg gb bb) to sums[0..9].
void AddMomentsRow(const float* w, const float* const y[3], size_t n, float* const sums[10]);

// What a matte says of the foreground: (c - (1 - alpha) s) / max(alpha, 0.3), held
// within 0..1.5, and how far it is to be believed: ((alpha - least) / (1 - least))^3,
// not below 0.
void SamplesRow(const float* const c[3], const float* const s[3], const float* alpha, float least, size_t n,
                float* weight, float* const y[3]);

// A foreground for every pixel: mean and covariance (rr rg rb gg gb bb).
struct ForegroundRows {
  const float* mean[3] = {};
  const float* cov[6] = {};
};
struct MixRows {
  const float* color[3];
  const float* screen[3];
  ForegroundRows foreground;
};
// Most likely alpha of color = alpha F + (1 - alpha) screen + noise, F Gaussian and
// integrated out: V = alpha^2 cov + N, e = mean - screen, alpha =
// e V^-1 (color - screen) / e V^-1 e, held within 0..1; from 0.5, twice. Where e is
// nothing, 0.5. Source: Chuang et al. 2001.
void SolveRow(const MixRows& in, const NoiseTerms& noise, size_t n, float* alpha);
// Variance that remains: 1 / e V^-1 e.
void SolveVarianceRow(const MixRows& in, const NoiseTerms& noise, const float* alpha, size_t n, float* variance);
// Most likely foreground under alpha, not below 0:
// mean + alpha cov V^-1 (color - alpha mean - (1 - alpha) screen).
void RecoverRow(const MixRows& in, const NoiseTerms& noise, const float* alpha, size_t n, float* const out[3]);

}  // namespace selvage
