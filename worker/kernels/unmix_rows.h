// Row kernels of the unmixing operators: compiled for every SIMD target, the same
// bits on each. Outputs never overlap inputs.
#pragma once

#include <cstddef>

namespace selvage {

// Variance of the noise = a * max(y, 0) + b in every channel; correlation between
// channels r-g, r-b, g-b.
struct NoiseTerms {
  float a = 0, b = 0;
  float correlation[3] = {0, 0, 0};
};

// out = in * gain, held within `least`..65504; what is no number becomes `least`
// or 0, whichever is larger.
void FiniteRow(const float* in, float gain, float least, size_t n, float* out);

// out[i] = (a[i] + b[i]) + c[i].
void AddThreeRow(const float* a, const float* b, const float* c, size_t n, float* out);

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
void SamplesRow(const float* const c[3], const float* const s[3], const float* alpha, float least, size_t n, float* weight,
                float* const y[3]);

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
