#include "worker/kernels/pull_push.h"

#include <algorithm>
#include <optional>

namespace selvage {
namespace {

struct Level {
  Plane weight;
  std::vector<Plane> planes;
};

// to[X] = 1 3 3 1 over from[2X-1 .. 2X+2], nothing beyond the ends.
void HalveRow(const float* from, int width, float* to, int half) {
  const auto edge = [&](int X) {
    const auto tap = [&](int x) { return x >= 0 && x < width ? from[x] : 0.0f; };
    return (tap(2 * X - 1) + tap(2 * X + 2)) + 3.0f * (tap(2 * X) + tap(2 * X + 1));
  };
  const int last = std::max(1, (width - 3) / 2 + 1);  // 2X + 2 <= width - 1
  to[0] = edge(0);
  for (int X = 1; X < last; ++X) {
    const float* f = from + 2 * X;
    to[X] = (f[-1] + f[2]) + 3.0f * (f[0] + f[1]);
  }
  for (int X = last; X < half; ++X) to[X] = edge(X);
}

// Weighted sums of one plane: halves both ways, on value x weight (or on weight
// alone where `value` is null). Without the factor 1/64 of the kernel.
Plane Halve(const Plane& weight, const Plane* value, const Rect& half) {
  const Rect& rect = weight.rect();
  Plane rows({half.x0, rect.y0, half.x1, rect.y1});
  std::vector<float> product(rect.width());
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* w = weight.row(y);
    const float* from = w;
    if (value) {
      const float* v = value->row(y);
      for (int x = 0; x < rect.width(); ++x) product[x] = w[x] > 0.0f ? v[x] * w[x] : 0.0f;
      from = product.data();
    }
    HalveRow(from, rect.width(), rows.row(y), half.width());
  }
  Plane out(half);
  const std::vector<float> zero(half.width(), 0.0f);
  for (int Y = half.y0; Y < half.y1; ++Y) {
    const auto tap = [&](int y) { return y < rect.y1 && y >= rect.y0 ? rows.row(y) : zero.data(); };
    const int y = rect.y0 + 2 * (Y - half.y0);
    const float *a = tap(y - 1), *b = tap(y), *c = tap(y + 1), *d = tap(y + 2);
    float* to = out.row(Y);
    for (int X = 0; X < half.width(); ++X) to[X] = (a[X] + d[X]) + 3.0f * (b[X] + c[X]);
  }
  return out;
}

Level Pull(const Plane& weight, const std::vector<Plane>& planes) {
  const Rect& rect = weight.rect();
  const Rect half{0, 0, (rect.width() + 1) / 2, (rect.height() + 1) / 2};
  Level level;
  level.weight = Halve(weight, nullptr, half);
  for (const Plane& plane : planes) {
    Plane sum = Halve(weight, &plane, half);
    for (int y = 0; y < half.y1; ++y) {
      const float* w = level.weight.row(y);
      float* v = sum.row(y);
      for (int x = 0; x < half.x1; ++x) v[x] = v[x] / (w[x] > 0.0f ? w[x] : 1.0f);
    }
    level.planes.push_back(std::move(sum));
  }
  for (int y = 0; y < half.y1; ++y) {
    float* w = level.weight.row(y);
    for (int x = 0; x < half.x1; ++x) {
      const float grown = w[x] * (4.0f / 64.0f);
      w[x] = grown < 1.0f ? grown : 1.0f;
    }
  }
  return level;
}

// Bilinear between the centres of coarse pixels, nearest beyond the outer ones.
void DoubleRow(const float* from, int half, float* to, int width) {
  for (int X = 0; X < half; ++X) {
    const float here = 0.75f * from[X];
    const float left = X > 0 ? from[X - 1] : from[X], right = X + 1 < half ? from[X + 1] : from[X];
    to[2 * X] = here + 0.25f * left;
    if (2 * X + 1 < width) to[2 * X + 1] = here + 0.25f * right;
  }
}

void Push(const Plane& coarse, const Plane& weight, Plane* fine) {
  const Rect& rect = fine->rect();
  const int half = coarse.rect().height(), coarse_width = coarse.rect().width();
  std::vector<float> between(coarse_width), guess(rect.width());
  for (int y = 0; y < rect.height(); ++y) {
    const int Y = y / 2;
    const int other = std::clamp(y % 2 ? Y + 1 : Y - 1, 0, half - 1);
    const float *a = coarse.row(Y), *b = coarse.row(other);
    for (int X = 0; X < coarse_width; ++X) between[X] = 0.75f * a[X] + 0.25f * b[X];
    DoubleRow(between.data(), coarse_width, guess.data(), rect.width());
    const float* w = weight.row(rect.y0 + y);
    float* v = fine->row(rect.y0 + y);
    for (int x = 0; x < rect.width(); ++x) {
      const float mixed = v[x] * w[x] + (1.0f - w[x]) * guess[x];
      v[x] = w[x] <= 0.0f ? guess[x] : w[x] >= 1.0f ? v[x] : mixed;
    }
  }
}

bool AnyAbove(const Plane& p, float limit) {
  for (int y = p.rect().y0; y < p.rect().y1; ++y) {
    const float* row = p.row(y);
    for (int x = 0; x < p.rect().width(); ++x) {
      if (row[x] > limit) return true;
    }
  }
  return false;
}

bool Spread(const Plane& weight, std::vector<Plane>* planes, const std::function<bool()>& stopped) {
  if (planes->empty()) return true;
  std::vector<Level> levels;
  const Plane* finest = &weight;
  const std::vector<Plane>* values = planes;
  while (finest->rect().width() > 1 || finest->rect().height() > 1) {
    if (stopped()) return false;
    Level next = Pull(*finest, *values);
    levels.push_back(std::move(next));
    finest = &levels.back().weight;
    values = &levels.back().planes;
  }
  for (size_t i = levels.size(); i-- > 0;) {
    if (stopped()) return false;
    const Plane& under = i > 0 ? levels[i - 1].weight : weight;
    std::vector<Plane>& to = i > 0 ? levels[i - 1].planes : *planes;
    for (size_t c = 0; c < to.size(); ++c) Push(levels[i].planes[c], under, &to[c]);
    levels[i].planes.clear();
  }
  return true;
}

// What all samples of a plane are, if they are all the same. REQUIRES: samples.
std::optional<float> TheOnlyValue(const Plane& weight, const Plane& plane) {
  std::optional<float> only;
  for (int y = weight.rect().y0; y < weight.rect().y1; ++y) {
    const float *w = weight.row(y), *v = plane.row(y);
    for (int x = 0; x < weight.rect().width(); ++x) {
      if (!(w[x] > 0.0f)) continue;
      if (only && v[x] != *only) return std::nullopt;
      only = v[x];
    }
  }
  return only;
}

}  // namespace

bool PullPush(const Plane& weight, std::vector<Plane>* planes, const std::function<bool()>& stopped) {
  if (weight.rect().empty() || !AnyAbove(weight, 0.0f)) return true;
  // One value is that value everywhere, to the bit: sums of it would be rounded.
  std::vector<Plane> mixed;
  std::vector<size_t> place;
  for (size_t i = 0; i < planes->size(); ++i) {
    Plane& plane = (*planes)[i];
    if (const auto only = TheOnlyValue(weight, plane)) {
      for (int y = plane.rect().y0; y < plane.rect().y1; ++y) std::fill_n(plane.row(y), plane.rect().width(), *only);
    } else {
      mixed.push_back(std::move(plane));
      place.push_back(i);
    }
  }
  const bool done = Spread(weight, &mixed, stopped);
  for (size_t i = 0; i < mixed.size(); ++i) (*planes)[place[i]] = std::move(mixed[i]);
  return done;
}

}  // namespace selvage
