// Noise of a picture, measured.
#pragma once

#include <array>
#include <vector>

#include "absl/status/statusor.h"
#include "worker/kernels/motion/even_noise.h"
#include "worker/kernels/motion/patch_shrink.h"
#include "worker/picture/image.h"

namespace selvage::worker {

struct NoiseMeasurement {
  NoiseCurves curves;
  // Of the stabilised opponent planes; a power spectrum of white noise is 1.
  NoiseSpectrum spectrum = NoiseSpectrum(3 * 64, 1.0f);

  // a[3], b[3], N[3][64]: the content of a measuring step's blob.
  std::vector<float> ToNumbers() const;
  static absl::StatusOr<NoiseMeasurement> FromNumbers(const std::vector<float>& numbers);
  // No noise in any channel.
  bool none() const;
};

// Measures in a box of even colour (bare screen), at least 8x8 pixels inside the
// picture; planes R, G, B. The box alone gives the variance V at its mean level
// and the spectrum; how V splits into photon noise (a*y) and read-out noise (b)
// comes from the quietest blocks at other levels over the whole picture. Same
// numbers at any thread count and CPU. Errors: INVALID_ARGUMENT box too small or
// outside, or not finite.
absl::StatusOr<NoiseMeasurement> MeasureNoise(const Picture& picture, const Rect& box);

// The box of at most 48x48 pixels whose content looks most like noise alone:
// the greatest share of its energy at high frequencies. Empty if no box has any
// noise in it. Errors: INVALID_ARGUMENT picture smaller than 8x8.
absl::StatusOr<Rect> FindEvenBox(const Picture& picture);

}  // namespace selvage::worker
