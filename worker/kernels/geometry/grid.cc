#include "worker/kernels/geometry/grid.h"

#include <algorithm>
#include <cstring>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/geometry/grid.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"
#include "worker/kernels/pixels/gaussian.h"

// Plain loops, compiled once for each target.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// From the centre of cell `first` to that of cell `last`, and to the border where
// that is the nearest.
template <int F>
void EnlargeLine(const float* line, int first, int last, int cells, float* to) {
  if (first == 0) std::fill_n(to, F / 2, line[0]);
  float* __restrict out = to + F / 2;
  for (int X = first; X < last; ++X) {
    const float here = line[X], step = line[X + 1] - line[X];
    for (int r = 0; r < F; ++r) out[X * F + r] = here + step * ((static_cast<float>(r) + 0.5f) / F);
  }
  if (last + 1 == cells) std::fill_n(out + last * F, F - F / 2, line[last]);
}

void EnlargeRow(const float* line, int factor, int first, int last, int cells, float* to) {
  switch (factor) {
    case 1:
      std::copy(line + first, line + last + 1, to + first);
      return;
    case 2:
      return EnlargeLine<2>(line, first, last, cells, to);
    case 4:
      return EnlargeLine<4>(line, first, last, cells, to);
    case 8:
      return EnlargeLine<8>(line, first, last, cells, to);
    case 16:
      return EnlargeLine<16>(line, first, last, cells, to);
    default:
      return EnlargeLine<32>(line, first, last, cells, to);
  }
}

void BetweenRows(const float* a, const float* b, float share, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) to[x] = a[x] + share * (b[x] - a[x]);
}

void ScaleRow(float share, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) to[x] *= share;
}

void CellAddRow(const float* from, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) to[x] += from[x];
}

// Sums of `factor` columns each.
template <int F>
void FoldEvery(const float* from, int cells, float* __restrict to) {
  for (int X = 0; X < cells; ++X) {
    float sum = from[X * F];
    for (int i = 1; i < F; ++i) sum += from[X * F + i];
    to[X] = sum;
  }
}

void FoldRow(const float* from, int factor, int cells, float* to) {
  switch (factor) {
    case 1:
      return FoldEvery<1>(from, cells, to);
    case 2:
      return FoldEvery<2>(from, cells, to);
    case 4:
      return FoldEvery<4>(from, cells, to);
    case 8:
      return FoldEvery<8>(from, cells, to);
    case 16:
      return FoldEvery<16>(from, cells, to);
    default:
      return FoldEvery<32>(from, cells, to);
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(EnlargeRow);
HWY_EXPORT(BetweenRows);
HWY_EXPORT(ScaleRow);
HWY_EXPORT(CellAddRow);
HWY_EXPORT(FoldRow);

CellSums::CellSums(const Grid& grid, int planes) : grid_(grid) {
  const size_t width = static_cast<size_t>(grid.cells().width()) * grid.factor;
  samples_.assign(width * planes, 0.0f);
  for (int p = 0; p < planes; ++p) {
    planes_.push_back(Plane(grid.cells()));
    rows_.push_back(samples_.data() + p * width);
  }
}

float* const* CellSums::Rows(int y) {
  while ((y - grid_.fine.y0) / grid_.factor > cell_row_) Fold();
  used_ = true;
  return rows_.data();
}

void CellSums::Finish() {
  while (cell_row_ < grid_.cells().height()) Fold();
}

void CellSums::Fold() {
  const int cells = grid_.cells().width(), factor = grid_.factor;
  for (size_t p = 0; p < planes_.size(); ++p) {
    float* to = planes_[p].row(cell_row_);
    if (used_) {
      HWY_DYNAMIC_DISPATCH(FoldRow)(rows_[p], factor, cells, to);
    } else {
      std::fill_n(to, cells, 0.0f);
    }
  }
  if (used_) std::fill(samples_.begin(), samples_.end(), 0.0f);
  used_ = false;
  ++cell_row_;
}

Plane CellMeans(const Grid& grid, const Plane& fine) {
  return CellMeans(grid, [&](int y) { return fine.row(y); });
}

Plane CellMeans(const Grid& grid, const std::function<const float*(int y)>& row) {
  CellAverages averages(grid);
  for (int y = grid.fine.y0; y < grid.fine.y1; ++y) averages.Add(row(y));
  return averages.Finish();
}

CellAverages::CellAverages(const Grid& grid)
    : grid_(grid), means_(grid.cells()), columns_(static_cast<size_t>(grid.cells().width()) * grid.factor) {}

void CellAverages::Add(const float* row) {
  const int width = grid_.fine.width(), factor = grid_.factor;
  if (rows_ % factor == 0) {
    std::memcpy(columns_.data(), row, sizeof(float) * width);
  } else {
    HWY_DYNAMIC_DISPATCH(CellAddRow)(row, width, columns_.data());
  }
  ++rows_;
  if (rows_ == grid_.fine.height() && rows_ % factor > 0) {
    // The last row again, for those that are not there.
    for (int more = rows_ % factor; more < factor; ++more)
      HWY_DYNAMIC_DISPATCH(CellAddRow)(row, width, columns_.data());
    Fold((rows_ - 1) / factor);
  } else if (rows_ % factor == 0) {
    Fold(rows_ / factor - 1);
  }
}

void CellAverages::Fold(int Y) {
  const int width = grid_.fine.width(), factor = grid_.factor, cells = grid_.cells().width();
  std::fill(columns_.begin() + width, columns_.end(), columns_[width - 1]);
  float* to = means_.row(Y);
  HWY_DYNAMIC_DISPATCH(FoldRow)(columns_.data(), factor, cells, to);
  HWY_DYNAMIC_DISPATCH(ScaleRow)(1.0f / static_cast<float>(factor * factor), cells, to);
}

Enlarger::Enlarger(const Grid& grid) : grid_(grid), line_(grid.cells().width()) {}

void Enlarger::Part(const Plane& field, int y, int x0, int x1, float* to) {
  const int cells = grid_.cells().width(), rows = grid_.cells().height(), factor = grid_.factor;
  // Centre of the pixel in cells, from the centre of the first one on, in halves of a pixel.
  const int at = 2 * (y - grid_.fine.y0) + 1 - factor;
  const int Y = std::clamp(at / (2 * factor), 0, rows - 1), next = std::min(Y + 1, rows - 1);
  const float share = at <= 0 ? 0.0f : static_cast<float>(at - 2 * factor * Y) / static_cast<float>(2 * factor);
  const float *a = field.row(Y), *b = field.row(next);
  // Cells whose centres enclose the columns.
  const int first = std::max((x0 - factor / 2) / factor, 0),
            last = std::min((x1 - 1 + factor - factor / 2) / factor, cells - 1);
  HWY_DYNAMIC_DISPATCH(BetweenRows)(a + first, b + first, share, last + 1 - first, line_.data() + first);
  HWY_DYNAMIC_DISPATCH(EnlargeRow)(line_.data(), factor, first, last, cells, to);
}

Plane Blurred(const Plane& in, double sigma) {
  const Rect& rect = in.rect();
  Plane out(rect);
  const int radius = GaussianRadius(sigma);
  Plane padded(rect.Grow(radius));
  for (int y = rect.y0 - radius; y < rect.y1 + radius; ++y) {
    const float* from = in.row(std::clamp(y, rect.y0, rect.y1 - 1));
    float* to = padded.row(y);
    std::fill_n(to, radius, from[0]);
    std::memcpy(to + radius, from, sizeof(float) * rect.width());
    std::fill_n(to + radius + rect.width(), radius, from[rect.width() - 1]);
  }
  GaussianBlur(padded, rect, sigma, &out);
  return out;
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
