// Sums over square windows at a cost that does not grow with the window.
#pragma once

#include <algorithm>
#include <array>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Calls use(y, sums, count) for each row of a rectangle with, for each pixel, the
// sums of kCount quantities over the window of half width `radius` about it, as
// far as that lies in the rectangle; and how many pixels that is. fill(y, row)
// writes the quantities of a row; it is called twice for each. Sums run down the
// columns, then along the row, in binary64, in this order: the same bits on any
// machine. All quantities must be finite. use returns false to end the work.
template <size_t kCount, class Fill, class Use>
bool BoxSums(const Rect& rect, int radius, const Fill& fill, const Use& use) {
  using Quantities = std::array<double, kCount>;
  const int width = rect.width();
  std::vector<Quantities> columns(width), row(width), sums(width);
  std::vector<int> count(width);
  const auto add = [&](int y, double sign) {
    if (y < rect.y0 || y >= rect.y1) return;
    fill(y, row.data());
    for (int x = 0; x < width; ++x) {
      for (size_t k = 0; k < kCount; ++k) columns[x][k] += sign * row[x][k];
    }
  };
  for (int y = rect.y0; y < rect.y0 + radius; ++y) add(y, 1);
  for (int y = rect.y0; y < rect.y1; ++y) {
    add(y + radius, 1);
    add(y - radius - 1, -1);
    const int rows = std::min(y + radius, rect.y1 - 1) - std::max(y - radius, rect.y0) + 1;
    Quantities sum{};
    int across = 0;
    const auto slide = [&](int x, int sign) {
      if (x < 0 || x >= width) return;
      across += sign;
      for (size_t k = 0; k < kCount; ++k) sum[k] += sign * columns[x][k];
    };
    for (int x = 0; x < radius; ++x) slide(x, 1);
    for (int x = 0; x < width; ++x) {
      slide(x + radius, 1);
      slide(x - radius - 1, -1);
      sums[x] = sum;
      count[x] = across * rows;
    }
    if (!use(y, sums.data(), count.data())) return false;
  }
  return true;
}

}  // namespace selvage::worker
