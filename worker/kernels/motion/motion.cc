#include "worker/kernels/motion/motion.h"

#include <cstdlib>
#include <cstring>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/motion/motion.cc"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"

#ifndef SELVAGE_MOTION_ONCE_
#define SELVAGE_MOTION_ONCE_
namespace selvage::worker::motion {

constexpr int kBlock = 16;
// Pixels from a block's corner to the corner of its cell.
constexpr int kLead = (kBlock - kMotionCell) / 2;
// From a window's edge: rest of a cell, lead, reach, one for the parabola.
constexpr int kMargin = 64;
static_assert(kMargin >= (kMotionCell - 1) + kLead + kMotionReach + 1);

// Whole pixels of one level.
struct Shift {
  int x = 0, y = 0;
  bool operator==(const Shift&) const = default;
};

}  // namespace selvage::worker::motion
#endif

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::motion {
namespace HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET == HWY_SCALAR
HWY_INLINE int32_t AbsoluteDifference(const int16_t* a, ptrdiff_t a_stride, const int16_t* b, ptrdiff_t b_stride,
                                      int32_t limit) {
  int32_t total = 0;
  for (int y = 0; y < kBlock && total < limit; ++y, a += a_stride, b += b_stride) {
    for (int x = 0; x < kBlock; ++x) total += std::abs(a[x] - b[x]);
  }
  return total;
}
HWY_INLINE int32_t SquaredDifference(const int16_t* a, ptrdiff_t a_stride, const int16_t* b, ptrdiff_t b_stride) {
  int32_t total = 0;
  for (int y = 0; y < kBlock; ++y, a += a_stride, b += b_stride) {
    for (int x = 0; x < kBlock; ++x) {
      const int32_t difference = std::clamp<int32_t>(a[x] - b[x], -1023, 1023);
      total += difference * difference;
    }
  }
  return total;
}
#else
using D16 = hn::CappedTag<int16_t, kBlock>;
using D32 = hn::RepartitionToWide<D16>;

// Sum of absolute differences of two blocks; at least `limit` when it is not
// less than that.
HWY_INLINE int32_t AbsoluteDifference(const int16_t* a, ptrdiff_t a_stride, const int16_t* b, ptrdiff_t b_stride,
                                      int32_t limit) {
  const D16 d;
  const D32 wide;
  const auto one = hn::Set(d, 1);
  auto sum = hn::Zero(wide), more = hn::Zero(wide);
  int32_t total = 0;
  for (int half = 0; half < 2; ++half) {
    for (int y = 0; y < kBlock / 2; ++y, a += a_stride, b += b_stride) {
      for (size_t x = 0; x < kBlock; x += hn::MaxLanes(d)) {
        const auto difference = hn::Abs(hn::Sub(hn::LoadU(d, a + x), hn::LoadU(d, b + x)));
        sum = hn::ReorderWidenMulAccumulate(wide, difference, one, sum, more);
      }
    }
    total = hn::GetLane(hn::SumOfLanes(wide, hn::Add(sum, more)));
    if (total >= limit) break;
  }
  return total;
}

// Sum of squared differences, each difference held within +-1023 so that 256
// squares stay in 32 bits.
HWY_INLINE int32_t SquaredDifference(const int16_t* a, ptrdiff_t a_stride, const int16_t* b, ptrdiff_t b_stride) {
  const D16 d;
  const D32 wide;
  const auto most = hn::Set(d, 1023), least = hn::Set(d, -1023);
  auto sum = hn::Zero(wide), more = hn::Zero(wide);
  for (int y = 0; y < kBlock; ++y, a += a_stride, b += b_stride) {
    for (size_t x = 0; x < kBlock; x += hn::MaxLanes(d)) {
      const auto difference = hn::Max(hn::Min(hn::Sub(hn::LoadU(d, a + x), hn::LoadU(d, b + x)), most), least);
      sum = hn::ReorderWidenMulAccumulate(wide, difference, difference, sum, more);
    }
  }
  return hn::GetLane(hn::SumOfLanes(wide, hn::Add(sum, more)));
}

#endif

// Best match of one block so far.
struct Match {
  const LumaPyramid::Level* to;
  const int16_t* block;
  ptrdiff_t stride;
  int x, y;  // corner of the block
  Shift best;
  int32_t cost;

  HWY_INLINE void Try(int dx, int dy) {
    const int32_t c = AbsoluteDifference(block, stride, to->At(x + dx, y + dy), to->stride, cost);
    if (c < cost) {
      cost = c;
      best = {dx, dy};
    }
  }
  // All within `radius` of a centre that has been tried.
  HWY_INLINE void TryAround(Shift centre, int radius) {
    for (int dy = -radius; dy <= radius; ++dy) {
      for (int dx = -radius; dx <= radius; ++dx) {
        if (dx != 0 || dy != 0) Try(centre.x + dx, centre.y + dy);
      }
    }
  }
};

// Least point of the parabola through costs at -1, 0, 1, in quarters, at most
// half a pixel away.
HWY_INLINE int Quarters(int64_t before, int64_t at, int64_t after) {
  const int64_t bend = before - 2 * at + after;
  if (bend <= 0) return 0;
  // 4 * (before - after) / (2 * bend), rounded half up.
  const int64_t twice = 4 * (before - after) + bend;
  const int64_t quarters = twice >= 0 ? twice / (2 * bend) : -((-twice + 2 * bend - 1) / (2 * bend));
  return static_cast<int>(quarters < -2 ? -2 : quarters > 2 ? 2 : quarters);
}

HWY_INLINE MotionVector Vector(int x, int y) { return {static_cast<int16_t>(x), static_cast<int16_t>(y)}; }

HWY_INLINE int64_t CostBeside(const Match& m, int dx, int dy) {
  return SquaredDifference(m.block, m.stride, m.to->At(m.x + m.best.x + dx, m.y + m.best.y + dy), m.to->stride);
}

HWY_INLINE MotionVector Refine(const Match& m) {
  const int64_t at = CostBeside(m, 0, 0);
  // The same pixels, a held frame: a parabola would move them off.
  if (at == 0) return Vector(4 * m.best.x, 4 * m.best.y);
  const int fx = Quarters(CostBeside(m, -1, 0), at, CostBeside(m, 1, 0));
  const int fy = Quarters(CostBeside(m, 0, -1), at, CostBeside(m, 0, 1));
  return Vector(4 * m.best.x + fx, 4 * m.best.y + fy);
}

// Fills the cells of one level. `parents` is the next coarser level's field in
// whole pixels of that level (x, y), or nullptr at the coarsest.
void MatchLevel(const LumaPyramid::Level& from, const LumaPyramid::Level& to, const VectorField* parents, bool finest,
                VectorField* field) {
  const Rect& cells = field->cells();
  for (int j = cells.y0; j < cells.y1; ++j) {
    for (int i = cells.x0; i < cells.x1; ++i) {
      Match m{&to, nullptr, from.stride, i * kMotionCell - kLead, j * kMotionCell - kLead, {}, INT32_MAX};
      m.block = from.At(m.x, m.y);
      m.Try(0, 0);
      if (parents == nullptr) {
        m.TryAround({}, 4);
      } else {
        const int side_i = (i & 1) ? 1 : -1, side_j = (j & 1) ? 1 : -1;
        const int pi = i >> 1, pj = j >> 1;
        const MotionVector near[4] = {parents->At(pi, pj), parents->At(pi + side_i, pj), parents->At(pi, pj + side_j),
                                      parents->At(pi + side_i, pj + side_j)};
        for (int k = 0; k < 4; ++k) {
          bool tried = near[k].x == 0 && near[k].y == 0;
          for (int before = 0; before < k; ++before) tried = tried || near[k] == near[before];
          if (!tried) m.Try(2 * near[k].x, 2 * near[k].y);
        }
        m.TryAround(m.best, 2);
      }
      field->At(i, j) = finest ? Refine(m) : Vector(m.best.x, m.best.y);
    }
  }
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker::motion
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {
namespace motion {
HWY_EXPORT(MatchLevel);

void CallMatchLevel(const LumaPyramid::Level& from, const LumaPyramid::Level& to, const VectorField* parents,
                    bool finest, VectorField* field) {
  HWY_DYNAMIC_DISPATCH(MatchLevel)(from, to, parents, finest, field);
}

LumaPyramid::Level EmptyLevel(const Rect& rect) {
  LumaPyramid::Level level;
  level.rect = rect;
  level.stride = (rect.width() + 2 * kMargin + 15) / 16 * 16;
  level.samples.resize(static_cast<size_t>(level.stride) * (rect.height() + 2 * kMargin));
  return level;
}

// Repeats edge pixels all round.
void ExtendLevel(LumaPyramid::Level* level) {
  const Rect& r = level->rect;
  for (int y = r.y0; y < r.y1; ++y) {
    int16_t* row = level->At(r.x0, y);
    std::fill(row - kMargin, row, row[0]);
    std::fill(row + r.width(), row + r.width() + kMargin, row[r.width() - 1]);
  }
  const size_t bytes = (r.width() + 2 * kMargin) * sizeof(int16_t);
  for (int k = 1; k <= kMargin; ++k) {
    std::memcpy(level->At(r.x0 - kMargin, r.y0 - k), level->At(r.x0 - kMargin, r.y0), bytes);
    std::memcpy(level->At(r.x0 - kMargin, r.y1 - 1 + k), level->At(r.x0 - kMargin, r.y1 - 1), bytes);
  }
}

// Half the size of an extended level.
LumaPyramid::Level HalfSize(const LumaPyramid::Level& fine) {
  const Rect& r = fine.rect;
  LumaPyramid::Level half = EmptyLevel({r.x0 >> 1, r.y0 >> 1, (r.x1 + 1) >> 1, (r.y1 + 1) >> 1});
  const int width = half.rect.width();
  // Columns 2x-1 .. 2x+2 of each pixel x.
  std::vector<int32_t> sums(2 * width + 2);
  for (int y = half.rect.y0; y < half.rect.y1; ++y) {
    const int16_t* row[4];
    for (int k = 0; k < 4; ++k) row[k] = fine.At(2 * half.rect.x0 - 1, 2 * y - 1 + k);
    for (size_t x = 0; x < sums.size(); ++x) sums[x] = row[0][x] + row[3][x] + 3 * (row[1][x] + row[2][x]);
    int16_t* out = half.At(half.rect.x0, y);
    for (int x = 0; x < width; ++x) {
      const int32_t* s = &sums[2 * x];
      out[x] = static_cast<int16_t>((s[0] + s[3] + 3 * (s[1] + s[2]) + 32) >> 6);
    }
  }
  ExtendLevel(&half);
  return half;
}

}  // namespace motion

ptrdiff_t LumaPyramid::Level::Offset(int x, int y) const {
  return (y - rect.y0 + motion::kMargin) * stride + (x - rect.x0 + motion::kMargin);
}

LumaPyramid::LumaPyramid(const Rect& window, const std::function<void(int y, int16_t* row)>& fill) {
  levels_.reserve(kLevels);
  levels_.push_back(motion::EmptyLevel(window));
  for (int y = window.y0; y < window.y1; ++y) fill(y, levels_[0].At(window.x0, y));
  motion::ExtendLevel(&levels_[0]);
  for (int l = 1; l < kLevels; ++l) levels_.push_back(motion::HalfSize(levels_[l - 1]));
}

VectorField EstimateMotion(const LumaPyramid& from, const LumaPyramid& to) {
  VectorField coarser;
  for (int l = LumaPyramid::kLevels - 1; l >= 0; --l) {
    const Rect& r = from.level(l).rect;
    // Shifting right rounds down, also below zero.
    VectorField field(Rect{r.x0 >> 3, r.y0 >> 3, (r.x1 + 7) >> 3, (r.y1 + 7) >> 3});
    const bool coarsest = l == LumaPyramid::kLevels - 1;
    motion::CallMatchLevel(from.level(l), to.level(l), coarsest ? nullptr : &coarser, l == 0, &field);
    coarser = std::move(field);
  }
  return coarser;
}

}  // namespace selvage::worker
#endif
