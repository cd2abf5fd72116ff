#include "worker/kernels/motion/carry.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace selvage::worker {
namespace {

// Grip that noise has, and that which counts half.
constexpr double kNoiseGrip = 4, kHalfGrip = 64;
// Pixels that a vector and the one back may miss each other by, and the share of the way.
constexpr double kReturn = 1, kReturnShare = 1.0 / 16;
// Narrowing of the fit, pixels.
constexpr double kWidest = 16, kNarrowest = 0.5, kNarrowing = 0.7;
// Cells nearer than this to the fitted motion move with the shape, pixels.
constexpr double kTogether = 3;
// Evidence, in sure cells, that the shape neither grows nor turns; and that it
// does not stretch: few cells must not bend it.
constexpr double kAgainstTurning = 0.05, kAgainstStretching = 4;
// Evidence that a point moves as the whole shape does.
constexpr double kAgainstBending = 2;
constexpr std::array<double, 3> kBendScales = {3, 1.5, 1};
// The surroundings of a point, pixels: a share of the shape's radius within bounds.
constexpr double kNearShare = 0.6, kNearLeast = 40, kNearMost = 160;
// Cells about a shape that subtracts.
constexpr int kAroundCells = 3;
// Four times the area, or a quarter.
constexpr double kMostGrowth = 4;

double Outlier(double squared, double scale) {
  const double w = 1 / (1 + squared / (scale * scale));
  return w * w;
}

// The share of each cell that is covered.
Plane Covered(const std::vector<Chord>& outline, FillRule rule, const Rect& cells) {
  std::vector<Chord> scaled = outline;
  constexpr double kScale = 1.0 / kMotionCell;
  for (Chord& c : scaled) c = {{c.a.x * kScale, c.a.y * kScale}, {c.b.x * kScale, c.b.y * kScale}};
  CoverageScan scan(scaled, rule, cells);
  Plane plane(cells);
  for (int y = cells.y0; y < cells.y1; ++y) scan.NextRow(plane.row(y));
  return plane;
}

// The largest of the cells about, without what is covered itself.
Plane About(const Plane& covered) {
  const Rect& r = covered.rect();
  Plane wide(r), about(r);
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      float most = 0;
      for (int k = std::max(x - kAroundCells, r.x0); k <= std::min(x + kAroundCells, r.x1 - 1); ++k) {
        most = std::max(most, covered.at(k, y));
      }
      wide.at(x, y) = most;
    }
  }
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      float most = 0;
      for (int k = std::max(y - kAroundCells, r.y0); k <= std::min(y + kAroundCells, r.y1 - 1); ++k) {
        most = std::max(most, wide.at(x, k));
      }
      about.at(x, y) = most - covered.at(x, y);
    }
  }
  return about;
}

// Gaussian elimination with the largest pivot. REQUIRES: positive definite.
template <size_t N>
std::array<double, N> SolveLinear(std::array<std::array<double, N + 1>, N> m) {
  for (size_t k = 0; k < N; ++k) {
    size_t pivot = k;
    for (size_t r = k + 1; r < N; ++r) {
      if (std::abs(m[r][k]) > std::abs(m[pivot][k])) pivot = r;
    }
    std::swap(m[k], m[pivot]);
    for (size_t r = k + 1; r < N; ++r) {
      const double f = m[r][k] / m[k][k];
      for (size_t c = k; c <= N; ++c) m[r][c] -= f * m[k][c];
    }
  }
  std::array<double, N> x;
  for (size_t k = N; k-- > 0;) {
    double sum = m[k][N];
    for (size_t c = k + 1; c < N; ++c) sum -= m[k][c] * x[c];
    x[k] = sum / m[k][k];
  }
  return x;
}

}  // namespace

ShapeMotion::ShapeMotion(const std::vector<Chord>& outline, FillRule rule, bool around, const MotionPair::Way& way,
                         const MotionPair::Way& back) {
  const Rect& cells = way.vectors.cells();
  double x0 = INFINITY, y0 = INFINITY, x1 = -INFINITY, y1 = -INFINITY;
  for (const Chord& c : outline) {
    x0 = std::min({x0, c.a.x, c.b.x});
    x1 = std::max({x1, c.a.x, c.b.x});
    y0 = std::min({y0, c.a.y, c.b.y});
    y1 = std::max({y1, c.a.y, c.b.y});
  }
  cx_ = 0.5 * (x0 + x1);
  cy_ = 0.5 * (y0 + y1);
  // Outside the picture there is nothing to follow, and nothing to lose.
  if (outline.empty() || x1 < kMotionCell * cells.x0 || y1 < kMotionCell * cells.y0 || x0 > kMotionCell * cells.x1 ||
      y0 > kMotionCell * cells.y1) {
    return;
  }
  radius_ = std::max(1.0, 0.5 * std::hypot(x1 - x0, y1 - y0));
  Collect(outline, rule, around, way, back);
  Fit();
}

void ShapeMotion::Collect(const std::vector<Chord>& outline, FillRule rule, bool around, const MotionPair::Way& way,
                          const MotionPair::Way& back) {
  const Rect& all = way.vectors.cells();
  Rect box{all.x1, all.y1, all.x0, all.y0};
  for (const Chord& c : outline) {
    for (const Point& p : {c.a, c.b}) {
      // Held to the picture first: a point may be far out.
      const int i = static_cast<int>(std::clamp(std::floor(p.x / kMotionCell), all.x0 - 1.0, all.x1 + 0.0));
      const int j = static_cast<int>(std::clamp(std::floor(p.y / kMotionCell), all.y0 - 1.0, all.y1 + 0.0));
      box = {std::min(box.x0, i), std::min(box.y0, j), std::max(box.x1, i + 1), std::max(box.y1, j + 1)};
    }
  }
  box = box.Grow(around ? kAroundCells : 0).Intersect(all);
  first_row_ = box.y0;
  row_begin_.assign(1, 0);
  if (box.empty()) return;
  const Plane covered = Covered(outline, rule, box);
  const Plane share = around ? About(covered) : covered;
  for (int j = box.y0; j < box.y1; ++j) {
    for (int i = box.x0; i < box.x1; ++i) {
      const double c = share.at(i, j);
      const Grip& grip = way.GripAt(i, j);
      const double xx = std::max(0.0, grip.xx - kNoiseGrip), yy = std::max(0.0, grip.yy - kNoiseGrip);
      if (c <= 0 || xx + yy <= 0) continue;
      const MotionVector& v = way.vectors.At(i, j);
      Cell cell{(i + 0.5) * kMotionCell, (j + 0.5) * kMotionCell, 0.25 * v.x, 0.25 * v.y, 0, 0, 0};
      const double to_x = (cell.x + cell.u) / kMotionCell, to_y = (cell.y + cell.v) / kMotionCell;
      if (to_x < all.x0 || to_y < all.y0 || to_x >= all.x1 || to_y >= all.y1) continue;
      const double most = std::sqrt(xx * yy), scale = c / (xx + yy + kHalfGrip);
      cell.xx = xx * scale;
      cell.yy = yy * scale;
      cell.xy = std::clamp<double>(grip.xy, -most, most) * scale;
      all_ += cell.trace();
      const MotionVector& home =
          back.vectors.At(static_cast<int>(std::floor(to_x)), static_cast<int>(std::floor(to_y)));
      const double allowed = kReturn * kReturn + kReturnShare * kReturnShare * (cell.u * cell.u + cell.v * cell.v);
      if (Off(cell, -0.25 * home.x, -0.25 * home.y) <= allowed) cells_.push_back(cell);
    }
    row_begin_.push_back(cells_.size());
  }
}

double ShapeMotion::Off(const Cell& c, double u, double v) {
  const double du = c.u - u, dv = c.v - v;
  return (c.xx * du * du + 2 * c.xy * du * dv + c.yy * dv * dv) / c.trace();
}

Point ShapeMotion::AffineAt(double x, double y) const {
  const double rx = (x - cx_) / radius_, ry = (y - cy_) / radius_;
  const Affine& f = affine_;
  return {f.a + (f.p + f.m) * rx + (f.n - f.q) * ry, f.b + (f.q + f.n) * rx + (f.p - f.m) * ry};
}

// Least squares with the outliers of the motion so far held back.
void ShapeMotion::Solve(double scale) {
  std::array<std::array<double, 7>, 6> m = {};
  for (const Cell& c : cells_) {
    const Point at = AffineAt(c.x, c.y);
    const double w = Outlier(Off(c, at.x, at.y), scale);
    const double rx = (c.x - cx_) / radius_, ry = (c.y - cy_) / radius_;
    // Rows of the cell's two equations; the unknowns are a, b, p, q, m, n.
    const double gx[6] = {1, 0, rx, -ry, rx, ry}, gy[6] = {0, 1, ry, rx, -ry, rx};
    for (int r = 0; r < 6; ++r) {
      const double tx = w * (c.xx * gx[r] + c.xy * gy[r]), ty = w * (c.xy * gx[r] + c.yy * gy[r]);
      for (int k = 0; k < 6; ++k) m[r][k] += tx * gx[k] + ty * gy[k];
      m[r][6] += tx * c.u + ty * c.v;
    }
  }
  // The shift's own bound only keeps the matrix regular where all grip is along one line.
  const double against[6] = {1e-6, 1e-6, kAgainstTurning, kAgainstTurning, kAgainstStretching, kAgainstStretching};
  for (int r = 0; r < 6; ++r) m[r][r] += against[r];
  const auto x = SolveLinear<6>(m);
  affine_ = {x[0], x[1], x[2], x[3], x[4], x[5]};
}

void ShapeMotion::Fit() {
  double kept = 0;
  for (const Cell& c : cells_) kept += c.trace();
  if (kept < kLeastEvidence) {
    lost_ = true;
    agreement_ = 0;
    return;
  }
  // Begins at the weighted median of each component.
  std::vector<std::pair<double, double>> u, v;
  for (const Cell& c : cells_) {
    u.push_back({c.u, c.xx});
    v.push_back({c.v, c.yy});
  }
  const auto median = [](std::vector<std::pair<double, double>>* values) {
    std::sort(values->begin(), values->end());
    double all = 0, below = 0;
    for (const auto& [value, weight] : *values) all += weight;
    for (const auto& [value, weight] : *values) {
      below += weight;
      if (2 * below >= all) return value;
    }
    return 0.0;
  };
  affine_.a = median(&u);
  affine_.b = median(&v);
  for (double scale = kWidest; scale > kNarrowest; scale *= kNarrowing) Solve(scale);
  Solve(kNarrowest);

  double together = 0;
  for (Cell& c : cells_) {
    const Point at = AffineAt(c.x, c.y);
    c.u -= at.x;
    c.v -= at.y;
    if (Off(c, 0, 0) <= kTogether * kTogether) together += c.trace();
  }
  agreement_ = together / all_;
  const double stretch = affine_.m * affine_.m + affine_.n * affine_.n;
  const double along = 1 + affine_.p / radius_, turn = affine_.q / radius_;
  const double area = along * along + turn * turn - stretch / (radius_ * radius_);
  lost_ =
      agreement_ < kLeastAgreement || together < kLeastEvidence || !(area >= 1 / kMostGrowth && area <= kMostGrowth);
}

Point ShapeMotion::Of(Point p) const {
  const Point whole = AffineAt(p.x, p.y);
  if (cells_.empty()) return whole;
  const double reach = std::clamp(kNearShare * radius_, kNearLeast, kNearMost);
  const int rows = static_cast<int>(row_begin_.size()) - 1;
  const auto row_of = [&](double y) {
    return static_cast<int>(std::clamp(std::floor(y / kMotionCell) - first_row_, 0.0, static_cast<double>(rows)));
  };
  const size_t begin = row_begin_[row_of(p.y - reach)], end = row_begin_[std::min(row_of(p.y + reach) + 1, rows)];
  double bend_u = 0, bend_v = 0;
  for (const double scale : kBendScales) {
    double xx = kAgainstBending, xy = 0, yy = kAgainstBending, bu = 0, bv = 0;
    for (size_t k = begin; k < end; ++k) {
      const Cell& c = cells_[k];
      const double dx = c.x - p.x, dy = c.y - p.y, far = (dx * dx + dy * dy) / (reach * reach);
      if (far >= 1) continue;
      const double near = (1 - far) * (1 - far);
      const double w = near * Outlier(Off(c, bend_u, bend_v), scale);
      xx += w * c.xx;
      xy += w * c.xy;
      yy += w * c.yy;
      bu += w * (c.xx * c.u + c.xy * c.v);
      bv += w * (c.xy * c.u + c.yy * c.v);
    }
    const double det = xx * yy - xy * xy;
    bend_u = (yy * bu - xy * bv) / det;
    bend_v = (xx * bv - xy * bu) / det;
  }
  return {whole.x + bend_u, whole.y + bend_v};
}

}  // namespace selvage::worker
