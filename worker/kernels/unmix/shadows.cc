#include "worker/kernels/unmix/shadows.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "worker/kernels/geometry/bit_rows.h"
#include "worker/kernels/geometry/cell_bits.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/gaussian.h"

namespace selvage::worker {
namespace {

// A smear's light falls by this from pixel to pixel at 360 lines, or faster.
constexpr double kSmearSlope = 0.006;
// Going down a smear it falls as fast all the way to what is smeared; a shadow has a floor, on
// which it falls less than this share as fast as on the way to it. That many steps are looked at.
constexpr float kFloor = 0.5f;
constexpr int kSteps = 64;
// A shadow lies for this share of its darkness on the way to a floor, has no more than this in it that
// is not the screen's colour (the screen being near 0.5), and is no smaller than that at 360 lines.
constexpr double kOnTheWay = 0.03, kOwnColor = 0.003, kShadowArea = 200;

// Each pixel's light in cells, 0 to 1, a little blurred.
Plane LightOf(const Grid& grid, const Plane& ratio) {
  const Rect& rect = ratio.rect();
  std::vector<float> line(rect.width());
  const auto row = [&](int y) {
    const float* from = ratio.row(y);
    for (int x = 0; x < rect.width(); ++x) {
      const float v = from[x] > 0.0f ? from[x] : 0.0f;
      line[x] = v < 1.0f ? v : 1.0f;
    }
    return static_cast<const float*>(line.data());
  };
  return Blurred(CellMeans(grid, row), 1);
}

template <class Use>
void ForNeighbours(const Plane& light, int X, int Y, const Use& use) {
  for (int V = std::max(0, Y - 1); V <= std::min(light.rect().y1 - 1, Y + 1); ++V) {
    for (int U = std::max(0, X - 1); U <= std::min(light.rect().x1 - 1, X + 1); ++U) use(U, V);
  }
}

// What lies steadily uphill of `other`. What is reached does not depend on the order.
Bitmap Uphill(const Plane& light, const Bitmap& other, float slope) {
  Bitmap reached = other;
  std::vector<std::pair<int, int>> next;
  for (int Y = 0; Y < other.height(); ++Y) {
    for (int X = 0; X < other.width(); ++X) {
      if (other.row(Y)[X]) next.emplace_back(X, Y);
    }
  }
  while (!next.empty()) {
    const auto [X, Y] = next.back();
    next.pop_back();
    const float least = light.row(Y)[X] + slope;
    ForNeighbours(light, X, Y, [&](int U, int V) {
      if (reached.row(V)[U] || !(light.row(V)[U] > least)) return;
      reached.row(V)[U] = 1;
      next.emplace_back(U, V);
    });
  }
  return reached;
}

// Whether the steepest way down from there comes to a floor before it comes to `other`.
bool ComesToFloor(const Plane& light, const Bitmap& other, int X, int Y) {
  constexpr float kDiagonal = 0.70710678f;
  float most = 0;
  for (int step = 0; step < kSteps && !other.row(Y)[X]; ++step) {
    const float here = light.row(Y)[X];
    float steepest = 0;
    int x = X, y = Y;
    ForNeighbours(light, X, Y, [&](int U, int V) {
      const float fall = (here - light.row(V)[U]) * (U != X && V != Y ? kDiagonal : 1.0f);
      if (fall > steepest) steepest = fall, x = U, y = V;
    });
    if (steepest <= 0 || steepest < kFloor * most) return true;
    most = std::max(most, steepest);
    X = x, Y = y;
  }
  return false;
}

// What a part of shade is made of.
struct Shade {
  // Sums over its pixels of products of darkness d, light q, and what is beside the screen's colour (rest).
  double dd = 0, dq = 0, qq = 0, d_rest[3] = {}, q_rest[3] = {};
  double screen[3] = {}, dark = 0, to_floor = 0, count = 0;

  void Add(const float color[3], const float bare[3], float q, bool floor) {
    const double d = 1.0 - q;
    dd += d * d, dq += d * q, qq += static_cast<double>(q) * q;
    for (int c = 0; c < 3; ++c) {
      const double rest = static_cast<double>(color[c]) - static_cast<double>(q) * bare[c];
      d_rest[c] += d * rest, q_rest[c] += q * rest, screen[c] += bare[c];
    }
    ++count, dark += d, to_floor += floor ? d : 0;
  }
  // Of what covers the screen by its darkness: the colour, but for what is in the screen's hue. A clean
  // plate's own error goes with the light and is told apart by that (least squares of both).
  double OwnColor() const {
    const double det = std::max(1e-12, dd * qq - dq * dq);
    double own[3], along = 0, all = 0, sum = 0;
    for (int c = 0; c < 3; ++c) {
      own[c] = (d_rest[c] * qq - q_rest[c] * dq) / det;
      along += own[c] * screen[c], all += screen[c] * screen[c];
    }
    for (int c = 0; c < 3; ++c) {
      const double beside = own[c] - along / all * screen[c];
      sum += beside * beside;
    }
    return std::sqrt(sum);
  }
  // What that colour may be when there is none, noise and all (two directions are left of it).
  double Tolerance(const NoiseTerms& noise) const {
    const double det = std::max(1e-12, dd * qq - dq * dq), level = (screen[0] + screen[1] + screen[2]) / (3 * count);
    return std::sqrt(kOwnColor * kOwnColor + 2 * (noise.a * level + noise.b) * qq / det);
  }
};

}  // namespace

void KeepShadows(const ColorRows& color, const ColorRows& screen, const NoiseTerms& noise, const Plane& ratio,
                 const Bitmap& lit, const Bitmap& thin, Bitmap* shade) {
  const Rect& rect = ratio.rect();
  const Grid grid = FieldGrid(rect);
  const double scale = std::max(0.5, KeyScale(rect));
  const Plane light = LightOf(grid, ratio);
  Bitmap known = *shade;
  TakeAway(thin, &known);
  AddBitsRow(lit.row(0), lit.bits().size(), known.row(0));
  Bitmap other = CellsOf(known, grid);
  for (uint8_t& bit : other.bits()) bit ^= 1;
  const Bitmap uphill = Uphill(light, other, static_cast<float>(kSmearSlope * grid.factor / scale));
  Bitmap doubtful = PixelsOf(uphill, grid);
  AddBitsRow(thin.row(0), thin.bits().size(), doubtful.row(0));
  TakeAway(lit, &doubtful);
  KeepBitsRow(shade->row(0), shade->bits().size(), doubtful.row(0));

  const Parts parts = ConnectedParts(doubtful.bits(), rect.width(), rect.height(), Neighbours::kEight);
  const double least = kShadowArea * scale * scale;
  const auto large = [&](const PartRun& run) { return static_cast<double>(parts.parts[run.part].area) >= least; };
  // Of each cell: not yet looked at, or whether it comes to a floor.
  enum : uint8_t { kNotSeen, kNo, kYes };
  std::vector<uint8_t> floors(static_cast<size_t>(light.rect().width()) * light.rect().height(), kNotSeen);
  std::vector<Shade> shades(parts.parts.size());
  std::vector<float> lines[6];
  for (std::vector<float>& line : lines) line.resize(rect.width());
  for (const PartRun& run : parts.runs) {
    if (!large(run)) continue;
    const float *c[3], *s[3];
    for (int k = 0; k < 3; ++k) {
      c[k] = color.Row(k, rect.y0 + run.y, run.x0, run.x1, lines[k].data());
      s[k] = screen.Row(k, rect.y0 + run.y, run.x0, run.x1, lines[3 + k].data());
    }
    const float* q = ratio.row(rect.y0 + run.y);
    const int Y = run.y / grid.factor;
    for (int x = run.x0; x < run.x1; ++x) {
      const int X = x / grid.factor, i = x - run.x0;
      uint8_t& floor = floors[static_cast<size_t>(Y) * light.rect().width() + X];
      if (floor == kNotSeen) floor = uphill.row(Y)[X] && ComesToFloor(light, other, X, Y) ? kYes : kNo;
      const float seen[3] = {c[0][i], c[1][i], c[2][i]}, bare[3] = {s[0][i], s[1][i], s[2][i]};
      shades[run.part].Add(seen, bare, q[x], floor == kYes);
    }
  }
  std::vector<uint8_t> is_shadow(parts.parts.size());
  for (size_t i = 0; i < shades.size(); ++i) {
    is_shadow[i] = shades[i].to_floor > kOnTheWay * shades[i].dark && shades[i].OwnColor() < shades[i].Tolerance(noise);
  }
  for (const PartRun& run : parts.runs) {
    if (is_shadow[run.part]) continue;
    std::fill(shade->row(run.y) + run.x0, shade->row(run.y) + run.x1, 0);
  }
}

}  // namespace selvage::worker
