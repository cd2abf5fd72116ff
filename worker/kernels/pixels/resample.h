// Pictures moved, turned and scaled.
#pragma once

#include <functional>

#include "worker/picture/image.h"

namespace selvage::worker {

// Where a place of the result comes from: source = (xx x + xy y + x0, yx x + yy y + y0),
// pixel centres at half integers.
struct Affine {
  double xx = 1, xy = 0, x0 = 0;
  double yx = 0, yy = 1, y0 = 0;
};

enum class ResampleFilter { kLanczos3, kCubic, kNearest };

// Samples `in` into the planes of `out` (same channels). The filter is the
// product of two one-dimensional ones along the source's rows and columns,
// `widen` >= 1 times as wide as its kernel (for a result that many times smaller),
// weights normalised to 1. Beyond the source alpha, mattes and premultiplied
// colour are 0; straight colour repeats its edge. Alpha and mattes are held
// within 0..1, since Lanczos and cubic overshoot at edges. Where pixels fall on
// pixels exactly, bits are copied. Same bits for a pixel whatever the rectangle.
// `stopped` is polled between rows; returns false when it ended the work.
bool Resample(const Picture& in, const Affine& to_source, double widen, ResampleFilter filter,
              const std::function<bool()>& stopped, Picture* out);

}  // namespace selvage::worker
