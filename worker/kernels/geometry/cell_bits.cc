#include "worker/kernels/geometry/cell_bits.h"

#include <algorithm>
#include <vector>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/geometry/cell_bits.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

// Plain loops, compiled once for each target.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

void AddBits(const uint8_t* from, int n, uint8_t* __restrict to) {
  for (int x = 0; x < n; ++x) to[x] |= from[x];
}

// Any of two each, in place, and the way back.
void HalveBits(int half, uint8_t* bits) {
#pragma GCC ivdep
  for (int X = 0; X < half; ++X) bits[X] = bits[2 * X] | bits[2 * X + 1];
}

void DoubleBits(const uint8_t* from, int n, uint8_t* __restrict to) {
  for (int x = 0; x < n; ++x) to[2 * x] = to[2 * x + 1] = from[x];
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(AddBits);
HWY_EXPORT(HalveBits);
HWY_EXPORT(DoubleBits);

Bitmap CellsOf(const Bitmap& pixels, const Grid& grid) {
  if (grid.factor == 1) return pixels;
  const int width = pixels.width(), factor = grid.factor;
  // Factors are powers of two.
  Bitmap cells(grid.cells().width(), grid.cells().height());
  // Any of the rows of a cell, then any of its columns.
  std::vector<uint8_t> any(static_cast<size_t>(cells.width()) * factor);
  for (int Y = 0; Y < cells.height(); ++Y) {
    std::fill(any.begin(), any.end(), 0);
    for (int y = Y * factor; y < std::min((Y + 1) * factor, pixels.height()); ++y) {
      HWY_DYNAMIC_DISPATCH(AddBits)(pixels.row(y), width, any.data());
    }
    for (int f = factor; f > 1; f /= 2) HWY_DYNAMIC_DISPATCH(HalveBits)(cells.width() * f / 2, any.data());
    std::copy_n(any.data(), cells.width(), cells.row(Y));
  }
  return cells;
}

Bitmap PixelsOf(const Bitmap& cells, const Grid& grid) {
  if (grid.factor == 1) return cells;
  Bitmap pixels(grid.fine.width(), grid.fine.height());
  const int width = pixels.width(), factor = grid.factor;
  std::vector<uint8_t> line(static_cast<size_t>(cells.width()) * factor), doubled(line);
  for (int y = 0; y < pixels.height(); ++y) {
    if (y % factor == 0) {
      std::copy_n(cells.row(y / factor), cells.width(), line.data());
      for (int f = 1; f < factor; f *= 2) {
        HWY_DYNAMIC_DISPATCH(DoubleBits)(line.data(), cells.width() * f, doubled.data());
        line.swap(doubled);
      }
    }
    std::copy_n(line.data(), width, pixels.row(y));
  }
  return pixels;
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
