// Variance stabilisation of camera noise and the opponent planes that the noise
// filter works in.
//
// Noise of variance a*y + b (photons plus read-out) gets standard deviation 1:
//   z = 2y / (sqrt(max(a*y + c, 0)) + s),  c = 3a^2/8 + b,  s = sqrt(c),
// which is the generalised Anscombe transform shifted to z(0) = 0 and written
// without dividing by a. Below -c/a it goes on as a straight line. Sources:
// Foi et al. 2008 (noise model), Makitalo & Foi 2013 (transform and unbiased
// inverse).
//
// Opponent planes, an orthonormal mix, so that white noise stays white:
//   Y = (R+G+B)/sqrt3, U = (R-B)/sqrt2, V = (R-2G+B)/sqrt6.
#pragma once

#include <array>
#include <cstdint>

namespace selvage::worker {

// Variance = a * y + b of one channel; y scene-linear, a and b >= 0.
struct NoiseCurve {
  float a = 0, b = 0;
  // 3a^2/8 + b, with a floor far below binary16's own rounding (6e-8 at 1e-4),
  // so that a channel without noise does not divide by zero.
  float offset() const;
  // sqrt(offset()): standard deviation at black.
  float slope() const;
};
using NoiseCurves = std::array<NoiseCurve, 3>;

// `count` pixels of R, G, B to Y, U, V. All values must be finite.
void EvenNoiseRow(const NoiseCurves& curves, const float* const rgb[3], int count, float* const yuv[3]);

// Only Y, times `scale`, rounded, held within +-16383 so that a difference of
// two fits in 16 bits.
void EvenNoiseLumaRow(const NoiseCurves& curves, const float* const rgb[3], int count, float scale, int16_t* luma);

// Y of white (1, 1, 1).
float EvenNoiseWhite(const NoiseCurves& curves);

// Y, U, V back to R, G, B. Noise that is left (a third of it, by standard
// deviation squared, is assumed) biases the square; (a/4) * (1 - 1/3) puts it
// right to within 1e-4 at noise up to a = 2e-3.
void RestoreRow(const NoiseCurves& curves, const float* const yuv[3], int count, float* const rgb[3]);

}  // namespace selvage::worker
