#include "worker/kernels/pixels/pull_push.h"

#include <algorithm>
#include <optional>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/pull_push.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

// Plain loops, compiled once for each target.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// to[X] = 1 3 3 1 over from[2X-1 .. 2X+2], nothing beyond the ends.
void PullAcross(const float* from, int width, float* __restrict to, int half) {
  const auto edge = [&](int X) {
    const auto tap = [&](int x) { return x >= 0 && x < width ? from[x] : 0.0f; };
    return (tap(2 * X - 1) + tap(2 * X + 2)) + 3.0f * (tap(2 * X) + tap(2 * X + 1));
  };
  const int last = std::max(1, (width - 3) / 2 + 1);  // 2X + 2 <= width - 1
  to[0] = edge(0);
  const float *left = from - 1, *right = from + 2, *odd = from + 1;
  for (int X = 1; X < last; ++X) to[X] = (left[2 * X] + right[2 * X]) + 3.0f * (from[2 * X] + odd[2 * X]);
  for (int X = last; X < half; ++X) to[X] = edge(X);
}

void PullDown(const float* const rows[4], int n, float* __restrict to) {
  const float *a = rows[0], *b = rows[1], *c = rows[2], *d = rows[3];
  for (int x = 0; x < n; ++x) to[x] = (a[x] + d[x]) + 3.0f * (b[x] + c[x]);
}

// Value x weight; a value of no weight may be anything.
void PullWeigh(const float* value, const float* weight, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const float product = value[x] * weight[x];
    to[x] = weight[x] > 0.0f ? product : 0.0f;
  }
}

void PullUnweigh(const float* weight, int n, float* __restrict value) {
  for (int x = 0; x < n; ++x) value[x] = value[x] / (weight[x] > 0.0f ? weight[x] : 1.0f);
}

// Bilinear between the centres of coarse pixels, nearest beyond the outer ones;
// `near` is the row of them that is nearer. `between` has room for them.
void PushRow(const float* near, const float* other, int half, float* __restrict between, float* __restrict to,
             int width) {
  for (int X = 0; X < half; ++X) between[X] = 0.75f * near[X] + 0.25f * other[X];
  const auto edge = [&](int X) {
    const float here = 0.75f * between[X];
    to[2 * X] = here + 0.25f * between[std::max(X - 1, 0)];
    if (2 * X + 1 < width) to[2 * X + 1] = here + 0.25f * between[std::min(X + 1, half - 1)];
  };
  edge(0);
  for (int X = 1; X + 1 < half; ++X) {
    const float here = 0.75f * between[X];
    to[2 * X] = here + 0.25f * between[X - 1];
    to[2 * X + 1] = here + 0.25f * between[X + 1];
  }
  if (half > 1) edge(half - 1);
}

void PushMix(const float* weight, const float* guess, int n, float* __restrict value) {
  for (int x = 0; x < n; ++x) {
    const float w = weight[x], v = value[x], g = guess[x];
    const float mixed = v * w + (1.0f - w) * g, own = w >= 1.0f ? v : mixed;
    value[x] = w <= 0.0f ? g : own;
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(PullAcross);
HWY_EXPORT(PullDown);
HWY_EXPORT(PullWeigh);
HWY_EXPORT(PullUnweigh);
HWY_EXPORT(PushRow);
HWY_EXPORT(PushMix);

namespace {

struct Level {
  Plane weight;
  std::vector<Plane> planes;
};

// Weighted sums of one plane: halves both ways, on value x weight (or on weight
// alone where `value` is null). Without the factor 1/64 of the kernel.
Plane Halve(const Plane& weight, const Plane* value, const Rect& half) {
  const Rect& rect = weight.rect();
  const int width = rect.width();
  // The last four rows, halved across; zeros beyond the ends.
  std::vector<float> lines(4 * static_cast<size_t>(half.width())), product(width);
  const auto line = [&](int y) { return lines.data() + static_cast<size_t>(y & 3) * half.width(); };
  const auto halve = [&](int y) {
    if (y >= rect.height()) return std::fill_n(line(y), half.width(), 0.0f), void();
    const float* from = weight.row(rect.y0 + y);
    if (value) {
      HWY_DYNAMIC_DISPATCH(PullWeigh)(value->row(rect.y0 + y), from, width, product.data());
      from = product.data();
    }
    HWY_DYNAMIC_DISPATCH(PullAcross)(from, width, line(y), half.width());
  };
  Plane out(half);
  halve(0);
  for (int Y = 0; Y < half.height(); ++Y) {
    const int y = 2 * Y;
    halve(y + 1);
    halve(y + 2);
    const float* const rows[4] = {line(y - 1), line(y), line(y + 1), line(y + 2)};
    HWY_DYNAMIC_DISPATCH(PullDown)(rows, half.width(), out.row(Y));
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
    for (int y = 0; y < half.y1; ++y) HWY_DYNAMIC_DISPATCH(PullUnweigh)(level.weight.row(y), half.x1, sum.row(y));
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

void Push(const Plane& coarse, const Plane& weight, Plane* fine) {
  const Rect& rect = fine->rect();
  const int half = coarse.rect().height(), coarse_width = coarse.rect().width();
  std::vector<float> between(coarse_width), guess(rect.width());
  for (int y = 0; y < rect.height(); ++y) {
    const int Y = y / 2;
    const int other = std::clamp(y % 2 ? Y + 1 : Y - 1, 0, half - 1);
    HWY_DYNAMIC_DISPATCH(PushRow)
    (coarse.row(Y), coarse.row(other), coarse_width, between.data(), guess.data(), rect.width());
    HWY_DYNAMIC_DISPATCH(PushMix)(weight.row(rect.y0 + y), guess.data(), rect.width(), fine->row(rect.y0 + y));
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

}  // namespace selvage::worker
#endif  // HWY_ONCE
