// Motion between two frames: block matching down a pyramid, in integers, so
// that no order of summing can change a vector.
//
// Everything is anchored at the absolute origin (a cell is 8x8 pixels at
// multiples of 8), and candidates come from the coarser level only, never from
// neighbours on the same level: where a window begins changes no vector inside.
#pragma once

#include <algorithm>
#include <cstdint>
#include <functional>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Displacement in quarter pixels: what is at p here is at p + (x, y)/4 there.
struct MotionVector {
  int16_t x = 0, y = 0;
  bool operator==(const MotionVector&) const = default;
};

// Largest displacement in whole pixels: a search of +-4 at 1/8 size, then +-2 at
// each of three finer levels (32 + 8 + 4 + 2), and the fraction.
constexpr int kMotionReach = 46;
// Side of a cell.
constexpr int kMotionCell = 8;

// One vector for each 8x8 cell that touches a window.
class VectorField {
 public:
  VectorField() = default;
  // All vectors 0. `cells` counts cells: cell (i, j) has its pixel (0, 0) at (8i, 8j).
  explicit VectorField(const Rect& cells) : cells_(cells), vectors_(cells.area()) {}
  const Rect& cells() const { return cells_; }
  // The nearest cell's, outside.
  const MotionVector& At(int i, int j) const { return vectors_[Index(i, j)]; }
  MotionVector& At(int i, int j) { return vectors_[Index(i, j)]; }
  bool operator==(const VectorField&) const = default;

 private:
  size_t Index(int i, int j) const {
    i = std::clamp(i, cells_.x0, cells_.x1 - 1) - cells_.x0;
    j = std::clamp(j, cells_.y0, cells_.y1 - 1) - cells_.y0;
    return static_cast<size_t>(j) * cells_.width() + i;
  }
  Rect cells_;
  std::vector<MotionVector> vectors_;
};

// Luma in 16 bits (|value| <= 16383) at full, 1/2, 1/4 and 1/8 size, filtered by
// [1 3 3 1]/8. Edge pixels are repeated for a margin that covers every search.
class LumaPyramid {
 public:
  static constexpr int kLevels = 4;

  // `fill` writes the window.width() values of row y. 2.7 bytes a pixel.
  LumaPyramid(const Rect& window, const std::function<void(int y, int16_t* row)>& fill);

  struct Level {
    // Pixel (x, y) of level l covers pixels from (x, y) * 2^l.
    Rect rect;
    ptrdiff_t stride = 0;
    std::vector<int16_t> samples;
    const int16_t* At(int x, int y) const { return samples.data() + Offset(x, y); }
    int16_t* At(int x, int y) { return samples.data() + Offset(x, y); }

   private:
    ptrdiff_t Offset(int x, int y) const;
  };
  const Level& level(int l) const { return levels_[l]; }

 private:
  std::vector<Level> levels_;
};

// Vectors from `from` to `to`, pyramids of the same window: 16x16 blocks round
// each cell, sum of absolute differences; at full size the fraction from a
// parabola through squared differences. On a tie the first candidate tried
// stays: zero, the parent, its three nearest neighbours, then raster order.
VectorField EstimateMotion(const LumaPyramid& from, const LumaPyramid& to);

}  // namespace selvage::worker
