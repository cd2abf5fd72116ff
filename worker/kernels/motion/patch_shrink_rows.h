// Picture rows for the patch filter: only those in use are kept.
#pragma once

#include <cstddef>
#include <memory>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// The rows of a few planes that are in use, out of a whole window. Reads within
// kMargin of the window's edges are mirrored (edge pixel included).
class RollingRows {
 public:
  // Reach of motion, the taps of the interpolation and a patch over the edge.
  static constexpr int kMargin = 64;

  // Keeps `capacity` rows; plane p of a row lies plane_stride() floats after plane p - 1.
  RollingRows(const Rect& window, int planes, int capacity);
  const Rect& window() const { return window_; }
  ptrdiff_t plane_stride() const { return stride_; }
  int planes() const { return planes_; }

  // Row to write, at x = window().x0, plane 0. It replaces row y - capacity.
  // After writing all planes call Extend(y).
  float* Write(int y) { return rows_[y - window_.y0 + kMargin]; }
  void Extend(int y);
  // Rows from y on, as pointers to x = window().x0 of plane 0.
  // REQUIRES: |distance from the window| <= kMargin, and still kept.
  const float* const* From(int y) const { return &rows_[y - window_.y0 + kMargin]; }

 private:
  Rect window_;
  int planes_;
  ptrdiff_t stride_;
  std::unique_ptr<float[]> samples_;
  std::vector<float*> rows_;
};

}  // namespace selvage::worker
