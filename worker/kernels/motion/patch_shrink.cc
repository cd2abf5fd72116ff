#include "worker/kernels/motion/patch_shrink.h"

#include <algorithm>
#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/motion/patch_shrink.cc"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"
#include "worker/kernels/pixels/dct-inl.h"

#ifndef SELVAGE_PATCH_SHRINK_ONCE_
#define SELVAGE_PATCH_SHRINK_ONCE_
namespace selvage::worker::patches {

constexpr int kMaxPlanes = 3;
// A neighbour's whole patch counts for nothing from this excess misfit on.
constexpr float kMisfit = 0.2f;
// Misfit (squared, in variances) at which a coefficient counts half.
constexpr float kAgree = 49;

// The mean of a patch is not shrunk: grey has little chroma, and shrinking that
// would tint flat colours by up to half a sigma of a patch's mean. This much
// only keeps 0/0 away. It costs 0.02 dB.
constexpr float kLeastWiener = 1e-6f;
// A patch that lost nearly everything (black) counts no more than one with a
// tenth of a coefficient of white noise left, in the units of `variance` below.
constexpr float kLeastVariance = 64 * 0.1f;

// All that one row of patches reads and writes.
struct RowJob {
  Rect window;
  int y;
  const RollingRows* centre;
  const RollingRows* pilot;
  const PatchNeighbour* neighbours;
  int neighbour_count;
  // [plane][64], transposed as Dct leaves it, in units of (8 x orthonormal)^2.
  const float* variance;
  // 1 / (2 * variance), threshold^2 * variance, wiener * variance; the latter two
  // next to nothing for a patch's mean (DC), which is always kept.
  const float* misfit_scale;
  const float* threshold;
  const float* wiener;
  float copy;
  int first_x;
  // One a patch, or nullptr.
  const uint8_t* active;
  // Kaiser window, 64.
  const float* kaiser;
  // Rows y .. y + 7 of sums of plane 0 at x = window.x0: value * weight, then
  // weight, then the next plane's.
  float* sums[kPatch];
  ptrdiff_t sum_stride;
};

// Catmull-Rom weights of samples -1, 0, 1, 2 at k quarters: exact in binary.
constexpr float kTaps[4][4] = {{0, 1, 0, 0},
                               {-0.0703125f, 0.8671875f, 0.2265625f, -0.0234375f},
                               {-0.0625f, 0.5625f, 0.5625f, -0.0625f},
                               {-0.0234375f, 0.2265625f, 0.8671875f, -0.0703125f}};

}  // namespace selvage::worker::patches
#endif

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::patches {
namespace HWY_NAMESPACE {

struct Taps {
  F8 t0, t1, t2, t3;
};
HWY_INLINE Taps Spread(int quarters) {
  const float* t = kTaps[quarters];
  return {All(t[0]), All(t[1]), All(t[2]), All(t[3])};
}
HWY_INLINE F8 Mix(const Taps& t, F8 a, F8 b, F8 c, F8 d) { return (t.t0 * a + t.t1 * b) + (t.t2 * c + t.t3 * d); }

template <bool kFraction>
HWY_INLINE F8 Across(const float* p, const Taps& t) {
  if constexpr (kFraction) return Mix(t, Load8(p - 1), Load8(p), Load8(p + 1), Load8(p + 2));
  return Load8(p);
}

// Block at whole pixel `offset` from the row pointers plus a fraction. rows[0]
// is the row above the block's first.
template <bool kX, bool kY>
HWY_INLINE void Fetch(const float* const* rows, ptrdiff_t offset, const Taps& tx, const Taps& ty, Block& m) {
  const F8 a1 = Across<kX>(rows[1] + offset, tx), a2 = Across<kX>(rows[2] + offset, tx);
  const F8 a3 = Across<kX>(rows[3] + offset, tx), a4 = Across<kX>(rows[4] + offset, tx);
  const F8 a5 = Across<kX>(rows[5] + offset, tx), a6 = Across<kX>(rows[6] + offset, tx);
  const F8 a7 = Across<kX>(rows[7] + offset, tx), a8 = Across<kX>(rows[8] + offset, tx);
  if constexpr (kY) {
    const F8 a0 = Across<kX>(rows[0] + offset, tx), a9 = Across<kX>(rows[9] + offset, tx);
    const F8 a10 = Across<kX>(rows[10] + offset, tx);
    m = {Mix(ty, a0, a1, a2, a3), Mix(ty, a1, a2, a3, a4), Mix(ty, a2, a3, a4, a5), Mix(ty, a3, a4, a5, a6),
         Mix(ty, a4, a5, a6, a7), Mix(ty, a5, a6, a7, a8), Mix(ty, a6, a7, a8, a9), Mix(ty, a7, a8, a9, a10)};
  } else {
    m = {a1, a2, a3, a4, a5, a6, a7, a8};
  }
}

// Adds the misfits of one row of coefficients and keeps both.
HWY_INLINE F8 MisfitRow(F8 q, const float* centre, const float* scale, float* other, float* misfit) {
  const F8 difference = Load8(centre) - q;
  const F8 x = difference * difference * Load8(scale);
  Store8(q, other);
  Store8(x, misfit);
  return x;
}

// Motion-compensated coefficients of a neighbour's patch into `other`, their
// misfits into `misfit`; returns the mean misfit, 1 where only noise differs.
template <int kPlanes, bool kX, bool kY>
HWY_INLINE float Compare(const RowJob& job, const float* const* rows, ptrdiff_t offset, ptrdiff_t plane_stride, int fx,
                         int fy, const float* centre, float* other, float* misfit) {
  const Taps tx = Spread(fx), ty = Spread(fy);
  F8 total = All(0);
  for (int p = 0; p < kPlanes; ++p) {
    Block m;
    Fetch<kX, kY>(rows, offset + p * plane_stride, tx, ty, m);
    Dct(m);
    const int at = 64 * p;
    const float* c = centre + at;
    const float* s = job.misfit_scale + at;
    float* q = other + at;
    float* x = misfit + at;
    const F8 x0 = MisfitRow(m.r0, c, s, q, x), x1 = MisfitRow(m.r1, c + 8, s + 8, q + 8, x + 8);
    const F8 x2 = MisfitRow(m.r2, c + 16, s + 16, q + 16, x + 16), x3 = MisfitRow(m.r3, c + 24, s + 24, q + 24, x + 24);
    const F8 x4 = MisfitRow(m.r4, c + 32, s + 32, q + 32, x + 32), x5 = MisfitRow(m.r5, c + 40, s + 40, q + 40, x + 40);
    const F8 x6 = MisfitRow(m.r6, c + 48, s + 48, q + 48, x + 48), x7 = MisfitRow(m.r7, c + 56, s + 56, q + 56, x + 56);
    total = total + (((x0 + x4) + (x2 + x6)) + ((x1 + x5) + (x3 + x7)));
  }
  return SumLanes(total) / (64 * kPlanes);
}

template <int kPlanes>
HWY_NOINLINE float CompareAt(const RowJob& job, const PatchNeighbour& neighbour, int x, const float* centre,
                             float* other, float* misfit) {
  const MotionVector v = neighbour.vectors->At((x + kPatch / 2) >> 3, (job.y + kPatch / 2) >> 3);
  const int fx = v.x & 3, fy = v.y & 3;
  const float* const* rows = neighbour.rows->From(job.y + (v.y >> 2) - 1);
  const ptrdiff_t offset = x - job.window.x0 + (v.x >> 2);
  const ptrdiff_t stride = neighbour.rows->plane_stride();
  if (fx != 0) {
    return fy != 0 ? Compare<kPlanes, true, true>(job, rows, offset, stride, fx, fy, centre, other, misfit)
                   : Compare<kPlanes, true, false>(job, rows, offset, stride, fx, fy, centre, other, misfit);
  }
  return fy != 0 ? Compare<kPlanes, false, true>(job, rows, offset, stride, fx, fy, centre, other, misfit)
                 : Compare<kPlanes, false, false>(job, rows, offset, stride, fx, fy, centre, other, misfit);
}

// Weighted mean over the frames: sums of w*q, w and w^2 for each coefficient.
struct TemporalSums {
  HWY_ALIGN float value[64 * kMaxPlanes];
  HWY_ALIGN float weight[64 * kMaxPlanes];
  HWY_ALIGN float squares[64 * kMaxPlanes];
};

template <int kPlanes>
HWY_INLINE bool GatherNeighbours(const RowJob& job, int x, TemporalSums& sums) {
  HWY_ALIGN float centre[64 * kPlanes], other[64 * kPlanes], misfit[64 * kPlanes];
  for (int k = 0; k < 64 * kPlanes; k += 8) Store8(Load8(sums.value + k), centre + k);
  bool any = false;
  for (int f = 0; f < job.neighbour_count; ++f) {
    const float mean = CompareAt<kPlanes>(job, job.neighbours[f], x, centre, other, misfit);
    const float excess = kMisfit * (mean > 1 ? mean - 1 : 0);
    if (!(excess < 1) || mean < job.copy) continue;
    const float whole = (1 - excess) * (1 - excess);
    const F8 numerator = All(whole * kAgree), agree = All(kAgree), one = All(1);
    for (int k = 0; k < 64 * kPlanes; k += 8) {
      const F8 mf = Load8(misfit + k);
      const F8 w = numerator / (mf * mf + agree);
      Store8(Load8(sums.value + k) + w * Load8(other + k), sums.value + k);
      Store8((any ? Load8(sums.weight + k) : one) + w, sums.weight + k);
      Store8((any ? Load8(sums.squares + k) : one) + w * w, sums.squares + k);
    }
    any = true;
  }
  return any;
}

// Means and their variances out of the sums, in place (value, squares).
HWY_INLINE void Average(int count, TemporalSums& sums) {
  const F8 one = All(1);
  for (int k = 0; k < count; k += 8) {
    const F8 r = one / Load8(sums.weight + k);
    Store8(Load8(sums.value + k) * r, sums.value + k);
    Store8(Load8(sums.squares + k) * r * r, sums.squares + k);
  }
}

// Shrinks plane p's 64 coefficients in place; returns the variance left in them.
// `ratio`: variance of a coefficient over that of one frame, or nullptr (1).
HWY_INLINE float ShrinkByThreshold(const RowJob& job, int p, float* value, const float* ratio) {
  F8 left = All(0);
  for (int k = 0; k < 64; k += 8) {
    const int at = 64 * p + k;
    const F8 m = Load8(value + at);
    F8 variance = Load8(job.variance + at), least = Load8(job.threshold + at);
    if (ratio != nullptr) {
      variance = variance * Load8(ratio + at);
      least = least * Load8(ratio + at);
    }
    left = left + WhereGreater(m * m, least, variance);
    Store8(WhereGreater(m * m, least, m), value + at);
  }
  return SumLanes(left);
}
HWY_INLINE float ShrinkByPilot(const RowJob& job, int p, const float* pilot, float* value, const float* ratio) {
  F8 left = All(0);
  for (int k = 0; k < 64; k += 8) {
    const int at = 64 * p + k;
    const F8 energy = Load8(pilot + at) * Load8(pilot + at);
    F8 variance = Load8(job.variance + at), noise = Load8(job.wiener + at);
    if (ratio != nullptr) {
      variance = variance * Load8(ratio + at);
      noise = noise * Load8(ratio + at);
    }
    const F8 g = energy / (energy + noise);
    left = left + g * g * variance;
    Store8(g * Load8(value + at), value + at);
  }
  return SumLanes(left);
}

HWY_INLINE void AddRow(F8 value, const float* kaiser, F8 scale, F8 weight, float* sum, ptrdiff_t stride) {
  const F8 k = Load8(kaiser);
  Store8(Load8(sum) + value * (k * scale), sum);
  Store8(Load8(sum + stride) + k * weight, sum + stride);
}

// Back to pixels and into the sums, weighted by 1 / variance left.
HWY_INLINE void AddPatch(const RowJob& job, int p, ptrdiff_t offset, const float* value, float variance) {
  Block m;
  LoadBlock(value + 64 * p, 8, m);
  InverseDct(m);
  const float weight = 1 / (variance > kLeastVariance ? variance : kLeastVariance);
  const F8 w = All(weight), scaled = All(weight * (1.0f / 64));
  const ptrdiff_t at = offset + 2 * p * job.sum_stride, stride = job.sum_stride;
  AddRow(m.r0, job.kaiser, scaled, w, job.sums[0] + at, stride);
  AddRow(m.r1, job.kaiser + 8, scaled, w, job.sums[1] + at, stride);
  AddRow(m.r2, job.kaiser + 16, scaled, w, job.sums[2] + at, stride);
  AddRow(m.r3, job.kaiser + 24, scaled, w, job.sums[3] + at, stride);
  AddRow(m.r4, job.kaiser + 32, scaled, w, job.sums[4] + at, stride);
  AddRow(m.r5, job.kaiser + 40, scaled, w, job.sums[5] + at, stride);
  AddRow(m.r6, job.kaiser + 48, scaled, w, job.sums[6] + at, stride);
  AddRow(m.r7, job.kaiser + 56, scaled, w, job.sums[7] + at, stride);
}

// Coefficients of the patch at x in all planes.
HWY_INLINE void Transform(const RollingRows& rows, int y, ptrdiff_t offset, int planes, float* out) {
  const float* const* row = rows.From(y);
  for (int p = 0; p < planes; ++p) {
    const ptrdiff_t at = offset + p * rows.plane_stride();
    Block m = {Load8(row[0] + at), Load8(row[1] + at), Load8(row[2] + at), Load8(row[3] + at),
               Load8(row[4] + at), Load8(row[5] + at), Load8(row[6] + at), Load8(row[7] + at)};
    Dct(m);
    StoreBlock(m, out + 64 * p);
  }
}

template <int kPlanes>
HWY_INLINE void ShrinkRowOf(const RowJob& job) {
  TemporalSums sums;
  HWY_ALIGN float pilot[64 * kPlanes];
  const uint8_t* active = job.active;
  for (int x = job.first_x; x < job.window.x1; x += kPatchStride) {
    if (active != nullptr && *active++ == 0) continue;
    const ptrdiff_t offset = x - job.window.x0;
    Transform(*job.centre, job.y, offset, kPlanes, sums.value);
    const bool any = GatherNeighbours<kPlanes>(job, x, sums);
    if (any) Average(64 * kPlanes, sums);
    const float* ratio = any ? sums.squares : nullptr;
    if (job.pilot != nullptr) Transform(*job.pilot, job.y, offset, kPlanes, pilot);
    for (int p = 0; p < kPlanes; ++p) {
      const float left = job.pilot != nullptr ? ShrinkByPilot(job, p, pilot, sums.value, ratio)
                                              : ShrinkByThreshold(job, p, sums.value, ratio);
      AddPatch(job, p, offset, sums.value, left);
    }
  }
}

void ShrinkRow(const RowJob& job, int planes) {
  if (planes == 1) {
    ShrinkRowOf<1>(job);
  } else {
    ShrinkRowOf<3>(job);
  }
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker::patches
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {
namespace patches {
HWY_EXPORT(ShrinkRow);
void CallShrinkRow(const RowJob& job, int planes) { HWY_DYNAMIC_DISPATCH(ShrinkRow)(job, planes); }

// Modified Bessel function of the first kind, order 0, for |x| <= 2: its power
// series, (x^2/4)^k / k!^2 (Abramowitz & Stegun 9.6.12).
double BesselI0(double x) {
  double sum = 1, term = 1;
  for (int k = 1; k < 20; ++k) {
    term *= x * x / 4 / (static_cast<double>(k) * k);
    sum += term;
  }
  return sum;
}

// Least multiple of the stride from `origin` whose patch reaches past `edge`.
int FirstPatch(int edge, int origin) {
  const int least = edge - kPatch + 1 - origin;
  const int steps = least >= 0 ? (least + kPatchStride - 1) / kPatchStride : -(-least / kPatchStride);
  return origin + steps * kPatchStride;
}
}  // namespace patches

struct ShrinkPass::State {
  patches::RowJob job;
  int planes;
  std::vector<PatchNeighbour> neighbours;
  std::vector<float> variance, misfit_scale, threshold, wiener;
  float kaiser[64];
  std::unique_ptr<float[]> sums;
  size_t row_floats;
  float* Row(int y) { return sums.get() + (y & (kPatch - 1)) * row_floats; }
};

ShrinkPass::ShrinkPass(const RollingRows* centre, std::vector<PatchNeighbour> neighbours, const RollingRows* pilot,
                       const NoiseSpectrum& noise, const Shrinkage& shrinkage, int origin)
    : state_(std::make_unique<State>()) {
  State& s = *state_;
  s.planes = centre->planes();
  s.neighbours = std::move(neighbours);
  for (int p = 0; p < s.planes; ++p) {
    for (int k = 0; k < 64; ++k) {
      // Transposed, and 8 x orthonormal: see Dct.
      const float variance = 64 * noise[64 * p + 8 * (k % 8) + k / 8];
      s.variance.push_back(variance);
      s.misfit_scale.push_back(1 / (2 * variance));
      s.threshold.push_back(k == 0 ? -1 : shrinkage.threshold * shrinkage.threshold * variance);
      s.wiener.push_back((k == 0 ? patches::kLeastWiener : shrinkage.wiener) * variance);
    }
  }
  double line[kPatch];
  for (int i = 0; i < kPatch; ++i) {
    const double t = (2.0 * i - (kPatch - 1)) / (kPatch - 1);
    line[i] = patches::BesselI0(2 * std::sqrt(1 - t * t)) / patches::BesselI0(2);
  }
  for (int k = 0; k < 64; ++k) s.kaiser[k] = static_cast<float>(line[k / 8] * line[k % 8]);

  const Rect& window = centre->window();
  patches::RowJob& job = s.job;
  job = {};
  job.window = window;
  job.centre = centre;
  job.pilot = pilot;
  job.neighbours = s.neighbours.data();
  job.neighbour_count = static_cast<int>(s.neighbours.size());
  job.variance = s.variance.data();
  job.misfit_scale = s.misfit_scale.data();
  job.threshold = s.threshold.data();
  job.wiener = s.wiener.data();
  job.kaiser = s.kaiser;
  job.copy = shrinkage.copy;
  job.first_x = patches::FirstPatch(window.x0, origin);
  // Patches hang over both edges by up to 7.
  job.sum_stride = window.width() + 2 * kPatch;
  s.row_floats = static_cast<size_t>(job.sum_stride) * 2 * s.planes;
  s.sums = std::make_unique<float[]>(s.row_floats * kPatch);
  first_row_ = patches::FirstPatch(window.y0, origin);
  last_row_ = first_row_ + (window.y1 - 1 - first_row_) / kPatchStride * kPatchStride;
}

ShrinkPass::~ShrinkPass() = default;

int ShrinkPass::first_column() const { return state_->job.first_x; }
int ShrinkPass::columns() const {
  const patches::RowJob& job = state_->job;
  return (job.window.x1 - job.first_x + kPatchStride - 1) / kPatchStride;
}

void ShrinkPass::Run(int y, const uint8_t* active) {
  State& s = *state_;
  // The rows that only now come into reach.
  for (int k = y == first_row_ ? 0 : kPatchStride; k < kPatch; ++k) std::fill_n(s.Row(y + k), s.row_floats, 0.0f);
  s.job.y = y;
  s.job.active = active;
  for (int k = 0; k < kPatch; ++k) s.job.sums[k] = s.Row(y + k) + kPatch;
  patches::CallShrinkRow(s.job, s.planes);
}

void ShrinkPass::Take(int y, int plane, float* out) const {
  const float* value = state_->Row(y) + kPatch + 2 * plane * state_->job.sum_stride;
  const float* weight = value + state_->job.sum_stride;
  const int width = state_->job.window.width();
  for (int x = 0; x < width; ++x) out[x] = value[x] / weight[x];
}

}  // namespace selvage::worker
#endif
