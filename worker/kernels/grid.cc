#include "worker/kernels/grid.h"

#include <algorithm>
#include <cstring>

#include "worker/kernels/gaussian.h"

namespace selvage {
namespace {

template <int F>
void EnlargeLine(const float* line, int cells, float* to) {
  for (int i = 0; i < F / 2; ++i) to[i] = line[0];
  float* __restrict out = to + F / 2;
  for (int X = 0; X + 1 < cells; ++X) {
    const float here = line[X], step = line[X + 1] - line[X];
    for (int r = 0; r < F; ++r) out[X * F + r] = here + step * ((static_cast<float>(r) + 0.5f) / F);
  }
  for (int i = 0; i < F - F / 2; ++i) out[(cells - 1) * F + i] = line[cells - 1];
}

}  // namespace

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
  return rows_.data();
}

void CellSums::Finish() {
  while (cell_row_ < grid_.cells().height()) Fold();
}

void CellSums::Fold() {
  const int cells = grid_.cells().width(), factor = grid_.factor;
  for (size_t p = 0; p < planes_.size(); ++p) {
    const float* from = rows_[p];
    float* to = planes_[p].row(cell_row_);
    for (int X = 0; X < cells; ++X) {
      float sum = 0;
      for (int i = 0; i < factor; ++i) sum += from[X * factor + i];
      to[X] = sum;
    }
  }
  std::fill(samples_.begin(), samples_.end(), 0.0f);
  ++cell_row_;
}

Plane CellMeans(const Grid& grid, const Plane& fine) {
  CellSums sums(grid, 1);
  const Rect& rect = grid.fine;
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* to = sums.Rows(y)[0];
    const float* from = fine.row(y);
    for (int x = 0; x < rect.width(); ++x) to[x] += from[x];
  }
  sums.Finish();
  Plane& means = sums.planes()[0];
  for (int Y = 0; Y < means.rect().y1; ++Y) {
    for (int X = 0; X < means.rect().x1; ++X) means.at(X, Y) /= static_cast<float>(grid.Pixels(X, Y).area());
  }
  return std::move(means);
}

Enlarger::Enlarger(const Grid& grid) : grid_(grid), line_(grid.cells().width()) {}

void Enlarger::Row(const Plane& field, int y, float* to) {
  const int cells = grid_.cells().width(), rows = grid_.cells().height(), factor = grid_.factor;
  // Centre of the pixel in cells, from the centre of the first one on, in halves of a pixel.
  const int at = 2 * (y - grid_.fine.y0) + 1 - factor;
  const int Y = std::clamp(at / (2 * factor), 0, rows - 1), next = std::min(Y + 1, rows - 1);
  const float share = at <= 0 ? 0.0f : static_cast<float>(at - 2 * factor * Y) / static_cast<float>(2 * factor);
  const float *a = field.row(Y), *b = field.row(next);
  for (int X = 0; X < cells; ++X) line_[X] = a[X] + share * (b[X] - a[X]);
  switch (factor) {
    case 1:
      std::memcpy(to, line_.data(), sizeof(float) * cells);
      return;
    case 2:
      return EnlargeLine<2>(line_.data(), cells, to);
    case 4:
      return EnlargeLine<4>(line_.data(), cells, to);
    case 8:
      return EnlargeLine<8>(line_.data(), cells, to);
    case 16:
      return EnlargeLine<16>(line_.data(), cells, to);
    default:
      return EnlargeLine<32>(line_.data(), cells, to);
  }
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

}  // namespace selvage
