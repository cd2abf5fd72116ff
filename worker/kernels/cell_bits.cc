#include "worker/kernels/cell_bits.h"

#include <algorithm>
#include <vector>

namespace selvage {

Bitmap CellsOf(const Bitmap& pixels, const Grid& grid) {
  if (grid.factor == 1) return pixels;
  const int width = pixels.width(), factor = grid.factor;
  Bitmap cells(grid.cells().width(), grid.cells().height());
  // Any of the rows of a cell, then any of its columns.
  std::vector<uint8_t> any(static_cast<size_t>(cells.width()) * factor);
  for (int Y = 0; Y < cells.height(); ++Y) {
    std::fill(any.begin(), any.end(), 0);
    for (int y = Y * factor; y < std::min((Y + 1) * factor, pixels.height()); ++y) {
      const uint8_t* from = pixels.row(y);
      uint8_t* __restrict to = any.data();
      for (int x = 0; x < width; ++x) to[x] |= from[x];
    }
    uint8_t* to = cells.row(Y);
    for (int i = 0; i < factor; ++i) {
      const uint8_t* from = any.data() + i;
      for (int X = 0; X < cells.width(); ++X) to[X] |= from[X * factor];
    }
  }
  return cells;
}

Bitmap PixelsOf(const Bitmap& cells, const Grid& grid) {
  if (grid.factor == 1) return cells;
  Bitmap pixels(grid.fine.width(), grid.fine.height());
  const int width = pixels.width(), factor = grid.factor;
  for (int y = 0; y < pixels.height(); ++y) {
    uint8_t* to = pixels.row(y);
    if (y % factor > 0) {
      std::copy_n(pixels.row(y - 1), width, to);
      continue;
    }
    const uint8_t* from = cells.row(y / factor);
    for (int X = 0; X < cells.width(); ++X) std::fill(to + X * factor, to + std::min((X + 1) * factor, width), from[X]);
  }
  return pixels;
}

}  // namespace selvage
