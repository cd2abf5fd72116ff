#include "worker/kernels/geometry/distance_outline.h"

#include <algorithm>
#include <cmath>

namespace selvage::worker {
namespace {

// Much less than can be seen, much more than rounding at +-1e6 px.
constexpr double kTouch = 1e-7;

double SquaredDistance(const Chord& c, double x, double y) {
  const double dx = c.b.x - c.a.x, dy = c.b.y - c.a.y;
  const double px = x - c.a.x, py = y - c.a.y;
  const double length2 = dx * dx + dy * dy;
  double t = length2 > 0 ? (px * dx + py * dy) / length2 : 0;
  t = t < 0 ? 0 : t > 1 ? 1 : t;
  const double ex = px - t * dx, ey = py - t * dy;
  return ex * ex + ey * ey;
}

Point At(const Chord& c, double t) {
  if (t <= 0) return c.a;
  if (t >= 1) return c.b;
  return {c.a.x + t * (c.b.x - c.a.x), c.a.y + t * (c.b.y - c.a.y)};
}

bool BoxesMeet(const Chord& p, const Chord& q) {
  return std::min(p.a.x, p.b.x) <= std::max(q.a.x, q.b.x) + kTouch &&
         std::min(q.a.x, q.b.x) <= std::max(p.a.x, p.b.x) + kTouch &&
         std::min(p.a.y, p.b.y) <= std::max(q.a.y, q.b.y) + kTouch &&
         std::min(q.a.y, q.b.y) <= std::max(p.a.y, p.b.y) + kTouch;
}

// Where q crosses p, or an end of q lies on it: parameters along p.
void AddSplits(const Chord& p, const Chord& q, std::vector<double>* splits) {
  const double dx = p.b.x - p.a.x, dy = p.b.y - p.a.y;
  const double length2 = dx * dx + dy * dy;
  const double side_a = dx * (q.a.y - p.a.y) - dy * (q.a.x - p.a.x);
  const double side_b = dx * (q.b.y - p.a.y) - dy * (q.b.x - p.a.x);
  if ((side_a < 0) != (side_b < 0)) {
    const Point at = At(q, side_a / (side_a - side_b));
    splits->push_back(((at.x - p.a.x) * dx + (at.y - p.a.y) * dy) / length2);
  }
  for (const Point& end : {q.a, q.b}) {
    if (SquaredDistance(p, end.x, end.y) > kTouch * kTouch) continue;
    splits->push_back(((end.x - p.a.x) * dx + (end.y - p.a.y) * dy) / length2);
  }
}

int WindingAt(const std::vector<Chord>& chords, double x, double y) {
  int winding = 0;
  for (const Chord& c : chords) {
    if ((c.a.y <= y) == (c.b.y <= y)) continue;
    const double at = c.a.x + (y - c.a.y) * ((c.b.x - c.a.x) / (c.b.y - c.a.y));
    if (at < x) winding += c.a.y < c.b.y ? 1 : -1;
  }
  return winding;
}

// Fills one part of the plane; `near` holds every chord that can be nearest
// to a pixel of it. Quarters a part until few chords are left or it is small.
void Fill(const Rect& part, std::vector<const Chord*> near, double limit, Plane* out) {
  const double cx = 0.5 * (part.x0 + part.x1), cy = 0.5 * (part.y0 + part.y1);
  const double rx = 0.5 * (part.width() - 1), ry = 0.5 * (part.height() - 1);
  const double radius = std::sqrt(rx * rx + ry * ry);
  double nearest = limit;
  std::vector<double> distances(near.size());
  for (size_t i = 0; i < near.size(); ++i) {
    distances[i] = std::sqrt(SquaredDistance(*near[i], cx, cy));
    nearest = std::min(nearest, distances[i] + radius);
  }
  size_t kept = 0;
  for (size_t i = 0; i < near.size(); ++i) {
    if (distances[i] - radius <= nearest + kTouch) near[kept++] = near[i];
  }
  near.resize(kept);
  if (near.size() > 4 && (part.width() > 8 || part.height() > 8)) {
    const int mx = part.width() > 8 ? (part.x0 + part.x1) / 2 : part.x1;
    const int my = part.height() > 8 ? (part.y0 + part.y1) / 2 : part.y1;
    for (const Rect& quarter : {Rect{part.x0, part.y0, mx, my}, Rect{mx, part.y0, part.x1, my},
                                Rect{part.x0, my, mx, part.y1}, Rect{mx, my, part.x1, part.y1}}) {
      if (!quarter.empty()) Fill(quarter, near, limit, out);
    }
    return;
  }
  std::vector<double> best(part.width());
  for (int y = part.y0; y < part.y1; ++y) {
    std::fill(best.begin(), best.end(), limit * limit);
    for (const Chord* c : near) {
      for (int x = 0; x < part.width(); ++x) {
        const double d2 = SquaredDistance(*c, part.x0 + x + 0.5, y + 0.5);
        best[x] = d2 < best[x] ? d2 : best[x];
      }
    }
    float* row = out->row(y) + (part.x0 - out->rect().x0);
    for (int x = 0; x < part.width(); ++x) row[x] = static_cast<float>(std::sqrt(best[x]));
  }
}

}  // namespace

bool ComesNear(const Chord& chord, const Rect& rect, double reach) {
  // Clips the chord to the grown rectangle (Liang & Barsky 1984).
  double t0 = 0, t1 = 1;
  const auto clip = [&](double from, double step, double low, double high) {
    if (step == 0) return from >= low && from <= high;
    double enter = (low - from) / step, leave = (high - from) / step;
    if (enter > leave) std::swap(enter, leave);
    t0 = std::max(t0, enter);
    t1 = std::min(t1, leave);
    return t0 <= t1;
  };
  return clip(chord.a.x, chord.b.x - chord.a.x, rect.x0 - reach, rect.x1 + reach) &&
         clip(chord.a.y, chord.b.y - chord.a.y, rect.y0 - reach, rect.y1 + reach);
}

std::vector<Chord> NonZeroBoundary(const std::vector<Chord>& chords, const Rect& rect, double reach) {
  std::vector<Chord> pieces;
  std::vector<double> splits;
  for (const Chord& p : chords) {
    if (!ComesNear(p, rect, reach)) continue;
    splits.assign({0.0, 1.0});
    for (const Chord& q : chords) {
      if (&p != &q && BoxesMeet(p, q)) AddSplits(p, q, &splits);
    }
    std::sort(splits.begin(), splits.end());
    const double dx = p.b.x - p.a.x, dy = p.b.y - p.a.y;
    const double length = std::sqrt(dx * dx + dy * dy);
    for (size_t i = 0; i + 1 < splits.size(); ++i) {
      const double t0 = std::clamp(splits[i], 0.0, 1.0), t1 = std::clamp(splits[i + 1], 0.0, 1.0);
      if ((t1 - t0) * length <= kTouch) continue;
      const Chord piece{At(p, t0), At(p, t1)};
      const Point middle = At(p, 0.5 * (t0 + t1));
      // To both sides, beyond anything that coincides with the piece.
      const double nx = -dy / length * 8 * kTouch, ny = dx / length * 8 * kTouch;
      const bool left = WindingAt(chords, middle.x + nx, middle.y + ny) != 0;
      const bool right = WindingAt(chords, middle.x - nx, middle.y - ny) != 0;
      if (left != right) pieces.push_back(piece);
    }
  }
  return pieces;
}

void OutlineDistance(const std::vector<Chord>& chords, double limit, Plane* out) {
  std::vector<const Chord*> near;
  for (const Chord& c : chords) {
    if (ComesNear(c, out->rect(), limit)) near.push_back(&c);
  }
  Fill(out->rect(), std::move(near), limit, out);
}

}  // namespace selvage::worker
