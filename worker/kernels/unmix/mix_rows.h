// Row kernels of the mixture of foreground and screen: which pixels are solid, what
// is known of the foreground, and how much of it a pixel holds. Compiled for every
// SIMD target, the same bits on each. Outputs never overlap inputs.
#pragma once

#include <cstddef>
#include <cstdint>

#include "worker/kernels/unmix/screen_rows.h"

namespace selvage::worker {

// Of the search for the core. Solid: not sure, and the key above `solid` or `fair` and
// further away than that. Adds w, w key, w key^2 of the core to sums[0..2], w growing with
// the distance up to `away`. Drops what is below `limit`.
void SolidRow(const uint8_t* sure, const float* key, float solid, const uint8_t* fair, const int16_t* distance2,
              int16_t away2, size_t n, uint8_t* core);
void AddKeysRow(const uint8_t* core, const int16_t* distance2, float away, const float* key, size_t n,
                float* const sums[3]);
void DropRow(const float* key, const float* limit, size_t n, uint8_t* core);

// 1 where `core`, else 0 where `sure`, else the key held within 0..1.
void KnownRow(const uint8_t* sure, const uint8_t* core, const float* key, size_t n, float* alpha);

// Where alpha is 1 `solid`, elsewhere soft * gain.
void UnderRow(const float* alpha, const float* solid, const float* soft, float gain, size_t n, float* to);

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
// Most likely foreground under alpha, not below 0 and no more than three deviations above
// the mean or the color, whichever is brighter:
// mean + alpha cov V^-1 (color - alpha mean - (1 - alpha) screen).
void RecoverRow(const MixRows& in, const NoiseTerms& noise, const float* alpha, size_t n, float* const out[3]);

}  // namespace selvage::worker
