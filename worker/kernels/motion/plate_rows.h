// A plate's rows as the noise filter and the motion search read them.
#pragma once

#include <cmath>
#include <vector>

#include "worker/kernels/motion/even_noise.h"
#include "worker/kernels/motion/motion.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Values that the filter takes: none whose square is not finite. The bound is
// the largest finite binary16.
inline bool IsFilterable(float v) { return std::abs(v) <= 65504; }

// One frame's colour over a window: outside its own pixels the nearest ones.
class PlateRows {
 public:
  PlateRows(const Picture& picture, const Rect& window);

  // R, G, B of row y, filterable: a value that is not takes its left
  // neighbour's (else the next good one to the right, else 0). Valid until the
  // next call.
  void Read(int y, const float* rgb[3]);

 private:
  const Picture& picture_;
  Rect window_;
  std::vector<float> rows_[3];
};

// The tone curve that motion is looked for in where noise is not measured: that of
// a camera's usual noise. Vectors hardly depend on it.
inline constexpr NoiseCurve kCameraCurve = {6e-4f, 4e-5f};
inline constexpr NoiseCurves kCameraCurves = {kCameraCurve, kCameraCurve, kCameraCurve};

// What motion is looked for in: stabilised luma, 16 steps to a standard
// deviation of noise, fewer where white would use up more than half of the range.
LumaPyramid LumaOf(const Picture& picture, const Rect& window, const NoiseCurves& curves);

}  // namespace selvage::worker
