#include "worker/kernels/geometry/coverage.h"

#include <algorithm>
#include <cmath>
#include <tuple>

namespace selvage::worker {
namespace {

constexpr double kTolerance = 1.0 / 256;
constexpr int kMaxChordsPerCurve = 4096;
constexpr size_t kMaxPiecesPerRow = 512;
constexpr size_t kMaxCutsPerRow = 4096;
constexpr int kEvenBands = 256;
// One whole pixel of area.
constexpr double kUnit = 4294967296.0;

int64_t Fixed(double v) { return static_cast<int64_t>(std::floor(v * kUnit + 0.5)); }

double Length(double x, double y) { return std::sqrt(x * x + y * y); }

// Rows [first, last) of the band that a chord crosses; empty for level ones.
bool RowsOf(const Chord& c, const Rect& rect, int* first, int* last) {
  const double top = std::min(c.a.y, c.b.y), bottom = std::max(c.a.y, c.b.y);
  if (!(top < bottom) || top >= rect.y1 || bottom <= rect.y0) return false;
  *first = static_cast<int>(std::floor(std::max(top, static_cast<double>(rect.y0))));
  *last = static_cast<int>(std::ceil(std::min(bottom, static_cast<double>(rect.y1))));
  return *first < *last;
}

}  // namespace

void FlattenCubic(Point p0, Point p1, Point p2, Point p3, std::vector<Chord>* out) {
  // |B''| <= 6 max(|p0 - 2 p1 + p2|, |p1 - 2 p2 + p3|), and a chord over 1/n of
  // the parameter is at most |B''| / (8 n^2) off the curve.
  const double bend = std::max(Length(p0.x - 2 * p1.x + p2.x, p0.y - 2 * p1.y + p2.y),
                               Length(p1.x - 2 * p2.x + p3.x, p1.y - 2 * p2.y + p3.y));
  const double wanted = std::ceil(std::sqrt(6 * bend / (8 * kTolerance)));
  const int n = static_cast<int>(std::clamp(wanted, 1.0, static_cast<double>(kMaxChordsPerCurve)));
  Point from = p0;
  for (int i = 1; i <= n; ++i) {
    Point to = p3;
    if (i < n) {
      const double t = static_cast<double>(i) / n, s = 1 - t;
      const double b0 = s * s * s, b1 = 3 * s * s * t, b2 = 3 * s * t * t, b3 = t * t * t;
      to = {b0 * p0.x + b1 * p1.x + b2 * p2.x + b3 * p3.x, b0 * p0.y + b1 * p1.y + b2 * p2.y + b3 * p3.y};
    }
    if (from.x != to.x || from.y != to.y) out->push_back({from, to});
    from = to;
  }
}

CoverageScan::CoverageScan(const std::vector<Chord>& chords, FillRule rule, const Rect& rect)
    : chords_(chords), rule_(rule), rect_(rect), y_(rect.y0) {
  const int rows = std::max(0, rect.height());
  first_.assign(rows + 1, 0);
  int first, last;
  for (const Chord& c : chords) {
    if (RowsOf(c, rect, &first, &last)) ++first_[first - rect.y0 + 1];
  }
  for (int i = 0; i < rows; ++i) first_[i + 1] += first_[i];
  members_.resize(first_[rows]);
  std::vector<uint32_t> next(first_.begin(), first_.end() - 1);
  for (size_t i = 0; i < chords.size(); ++i) {
    if (RowsOf(chords[i], rect, &first, &last)) members_[next[first - rect.y0]++] = static_cast<uint32_t>(i);
  }
  sum_.resize(std::max(0, rect.width()) + 1);
}

double CoverageScan::Piece::XAt(double y) const {
  if (y <= ya) return xa;
  if (y >= yb) return xb;
  return xa + (y - ya) * ((xb - xa) / (yb - ya));
}

void CoverageScan::CollectPieces() {
  const int y = y_;
  pieces_.clear();
  std::erase_if(active_, [&](uint32_t i) { return std::max(chords_[i].a.y, chords_[i].b.y) <= y; });
  const auto start = members_.begin() + first_[y - rect_.y0], end = members_.begin() + first_[y - rect_.y0 + 1];
  active_.insert(active_.end(), start, end);
  for (uint32_t i : active_) {
    const Chord& c = chords_[i];
    const bool down = c.a.y < c.b.y;
    const Point top = down ? c.a : c.b, bottom = down ? c.b : c.a;
    const double slope = (bottom.x - top.x) / (bottom.y - top.y);
    Piece p{top.x, top.y - y, bottom.x, bottom.y - y, down ? 1 : -1};
    // From whichever end is cut off, so that neighbouring rows agree on it.
    if (p.ya < 0) p.xa = top.x + (y - top.y) * slope, p.ya = 0;
    if (p.yb > 1) p.xb = top.x + (y + 1 - top.y) * slope, p.yb = 1;
    if (p.ya < p.yb) pieces_.push_back(p);
  }
}

void CoverageScan::CutEvenly() {
  even_ = true;
  cuts_.clear();
  for (int i = 0; i <= kEvenBands; ++i) cuts_.push_back(static_cast<double>(i) / kEvenBands);
}

void CoverageScan::CutRow() {
  even_ = false;
  if (pieces_.size() > kMaxPiecesPerRow) return CutEvenly();
  cuts_.assign({0.0, 1.0});
  // Left ends ascending, so that only pieces that overlap in x are compared.
  std::sort(pieces_.begin(), pieces_.end(), [](const Piece& p, const Piece& q) {
    const double pl = std::min(p.xa, p.xb), ql = std::min(q.xa, q.xb);
    return pl != ql ? pl < ql : p.ya < q.ya;
  });
  for (size_t i = 0; i < pieces_.size(); ++i) {
    const Piece& p = pieces_[i];
    cuts_.push_back(p.ya);
    cuts_.push_back(p.yb);
    const double right = std::max(p.xa, p.xb);
    for (size_t j = i + 1; j < pieces_.size(); ++j) {
      const Piece& q = pieces_[j];
      if (std::min(q.xa, q.xb) > right) break;
      const double top = std::max(p.ya, q.ya), bottom = std::min(p.yb, q.yb);
      if (!(top < bottom)) continue;
      const double dt = p.XAt(top) - q.XAt(top), db = p.XAt(bottom) - q.XAt(bottom);
      if ((dt < 0 && db > 0) || (dt > 0 && db < 0)) cuts_.push_back(top + (bottom - top) * (dt / (dt - db)));
    }
    if (cuts_.size() > kMaxCutsPerRow) return CutEvenly();
  }
  std::sort(cuts_.begin(), cuts_.end());
  cuts_.erase(std::unique(cuts_.begin(), cuts_.end()), cuts_.end());
}

// Adds the area to the right of a slanting edge, `sign` times. sum_ holds
// differences from one pixel to the next; heights are rounded to fixed point
// before they are split, so whatever lies left of the rectangle adds up to the
// same whole.
void CoverageScan::Add(double xa, double ya, double xb, double yb, int64_t sign) {
  if (xa > xb) std::swap(xa, xb), std::swap(ya, yb);
  const double x0 = rect_.x0, x1 = rect_.x1;
  if (xa >= x1) return;
  const int64_t qa = Fixed(ya), qb = Fixed(yb);
  if (xb <= x0) {
    sum_[0] += sign * std::abs(qb - qa);
    return;
  }
  const double slope = xb > xa ? (yb - ya) / (xb - xa) : 0;
  const auto fixed_at = [&](double x) {
    const int64_t q = Fixed(ya + (x - xa) * slope);
    return std::clamp(q, std::min(qa, qb), std::max(qa, qb));
  };
  int64_t from = qa;
  double x = xa;
  if (xa < x0) {
    from = fixed_at(x0);
    sum_[0] += sign * std::abs(from - qa);
    x = x0;
  }
  for (double cell = std::floor(x); cell < x1; cell += 1) {
    const bool ends = xb <= cell + 1;
    const double to_x = ends ? xb : cell + 1;
    const int64_t to = ends ? qb : fixed_at(to_x);
    const int64_t height = std::abs(to - from);
    const double beyond = 0.5 * (x + to_x) - cell;  // share of the pixel left of the edge
    const int64_t right = static_cast<int64_t>(std::floor(static_cast<double>(height) * (1 - beyond) + 0.5));
    const size_t i = static_cast<size_t>(cell - x0);
    sum_[i] += sign * right;
    sum_[i + 1] += sign * (height - right);
    if (ends) break;
    from = to;
    x = to_x;
  }
}

void CoverageScan::FillBand(double top, double bottom) {
  const double middle = 0.5 * (top + bottom);
  band_.clear();
  for (const Piece& p : pieces_) {
    const bool inside = even_ ? p.ya <= middle && middle < p.yb : p.ya <= top && bottom <= p.yb;
    if (inside) band_.push_back({p.XAt(middle), p.XAt(top), p.XAt(bottom), p.winding});
  }
  std::sort(band_.begin(), band_.end(), [](const Crossing& p, const Crossing& q) {
    return std::tie(p.x, p.xa, p.xb, p.winding) < std::tie(q.x, q.xa, q.xb, q.winding);
  });
  int winding = 0;
  for (const Crossing& c : band_) {
    const int after = winding + c.winding;
    const bool was = rule_ == FillRule::kNonZero ? winding != 0 : (winding & 1) != 0;
    const bool is = rule_ == FillRule::kNonZero ? after != 0 : (after & 1) != 0;
    if (was != is) Add(c.xa, top, c.xb, bottom, is ? 1 : -1);
    winding = after;
  }
}

void CoverageScan::NextRow(float* out) {
  const int width = rect_.width();
  std::fill(sum_.begin(), sum_.end(), 0);
  CollectPieces();
  if (!pieces_.empty()) {
    CutRow();
    for (size_t i = 0; i + 1 < cuts_.size(); ++i) FillBand(cuts_[i], cuts_[i + 1]);
  }
  ++y_;
  int64_t area = 0;
  for (int x = 0; x < width; ++x) {
    area += sum_[x];
    out[x] = static_cast<float>(static_cast<double>(std::clamp<int64_t>(area, 0, int64_t{1} << 32)) / kUnit);
  }
}

}  // namespace selvage::worker
