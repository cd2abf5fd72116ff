#include "worker/kernels/unmix/screen_rows.h"

#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/unmix/screen_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// Rows do not overlap; where there are too many of them to be checked when it runs,
// ivdep says so to the compiler, which takes no notice of that many __restrict.

void AllFinite(const float* in, float gain, float least, size_t n, float* __restrict out) {
  for (size_t i = 0; i < n; ++i) out[i] = Finite(in[i], gain, least);
}

void AtMost(float most, size_t n, float* __restrict values) {
  for (size_t i = 0; i < n; ++i) values[i] = values[i] < most ? values[i] : most;
}

void AddThree(const float* a, const float* b, const float* c, size_t n, float* __restrict out) {
  for (size_t i = 0; i < n; ++i) out[i] = (a[i] + b[i]) + c[i];
}

void Minus(const float* a, const float* b, size_t n, float* __restrict out) {
  for (size_t i = 0; i < n; ++i) out[i] = a[i] - b[i];
}

void Distance(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n,
              float* __restrict out) {
  const float *r = in.columns[0], *g = in.columns[1], *bl = in.columns[2];
  const float *sr = in.screen[0], *sg = in.screen[1], *sb = in.screen[2];
  const float slope = share_of_mean * a, offset = share_of_mean * b, model2 = model * model;
  for (size_t i = 0; i < n; ++i) {
    const float mr = ((r[i] + r[i - 1]) + r[i + 1]) * (1.0f / 9);
    const float mg = ((g[i] + g[i - 1]) + g[i + 1]) * (1.0f / 9);
    const float mb = ((bl[i] + bl[i - 1]) + bl[i + 1]) * (1.0f / 9);
    const float vr = slope * sr[i] + offset + model2 * (sr[i] * sr[i]);
    const float vg = slope * sg[i] + offset + model2 * (sg[i] * sg[i]);
    const float vb = slope * sb[i] + offset + model2 * (sb[i] * sb[i]);
    out[i] = mr * mr / vr + mg * mg / vg + mb * mb / vb;
  }
}

void Shade(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n,
           float* __restrict ratio, float* __restrict rest) {
  const float *r = in.columns[0], *g = in.columns[1], *bl = in.columns[2];
  const float *sr = in.screen[0], *sg = in.screen[1], *sb = in.screen[2];
  const float slope = share_of_mean * a, offset = share_of_mean * b, model2 = model * model;
  for (size_t i = 0; i < n; ++i) {
    const float cr = sr[i] + ((r[i] + r[i - 1]) + r[i + 1]) * (1.0f / 9);
    const float cg = sg[i] + ((g[i] + g[i - 1]) + g[i + 1]) * (1.0f / 9);
    const float cb = sb[i] + ((bl[i] + bl[i - 1]) + bl[i + 1]) * (1.0f / 9);
    const float wr = 1.0f / (slope * sr[i] + offset + model2 * (sr[i] * sr[i]));
    const float wg = 1.0f / (slope * sg[i] + offset + model2 * (sg[i] * sg[i]));
    const float wb = 1.0f / (slope * sb[i] + offset + model2 * (sb[i] * sb[i]));
    const float q = (wr * sr[i] * cr + wg * sg[i] * cg + wb * sb[i] * cb) /
                    (wr * sr[i] * sr[i] + wg * sg[i] * sg[i] + wb * sb[i] * sb[i]);
    const float dr = cr - q * sr[i], dg = cg - q * sg[i], db = cb - q * sb[i];
    ratio[i] = q;
    rest[i] = wr * dr * dr + wg * dg * dg + wb * db * db;
  }
}

void Alike(const float* rest, float most, const float* ratio, float low, float high, size_t n,
           uint8_t* __restrict alike) {
  for (size_t i = 0; i < n; ++i) alike[i] = (rest[i] < most) & (ratio[i] > low) & (ratio[i] < high);
}

// Darker than both sides by this it is a hair, brighter by that a gap between two.
constexpr float kDarkLine = 0.03f, kBrightLine = 0.06f;

inline bool IsLine(float before, float here, float after) {
  const float low = before < after ? before : after, high = before < after ? after : before;
  return (low - here > kDarkLine) | (here - high > kBrightLine);
}

void Slow(const uint8_t* alike, const float* here, const float* above, const float* below, float slow, size_t n,
          uint8_t* __restrict shade, uint8_t* __restrict thin) {
  const float *before = here - 2, *after = here + 2;
  for (size_t i = 0; i < n; ++i) {
    const uint8_t changes_slowly =
        alike[i] & (std::abs(after[i] - before[i]) < slow) & (std::abs(below[i] - above[i]) < slow);
    shade[i] = changes_slowly;
    thin[i] = changes_slowly & (IsLine(before[i], here[i], after[i]) | IsLine(above[i], here[i], below[i]));
  }
}

void Roughness(const float* const c[3], const float* const m[3], float a, float b, size_t n, float* __restrict out) {
  const float *c0 = c[0], *c1 = c[1], *c2 = c[2], *m0 = m[0], *m1 = m[1], *m2 = m[2];
  for (size_t i = 0; i < n; ++i) {
    const float d0 = c0[i] - m0[i], d1 = c1[i] - m1[i], d2 = c2[i] - m2[i];
    out[i] = (d0 * d0 / NoiseVariance(c0[i], a, b) + d1 * d1 / NoiseVariance(c1[i], a, b) +
              d2 * d2 / NoiseVariance(c2[i], a, b)) *
             (1.0f / 3);
  }
}

void Shrink(const float* columns, const float* const c[3], float* const m[3], size_t n) {
  const float *c0 = c[0], *c1 = c[1], *c2 = c[2];
  float* __restrict m0 = m[0], * __restrict m1 = m[1], * __restrict m2 = m[2];
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    const float v = ((columns[i] + columns[i - 1]) + columns[i + 1]) * (1.0f / 9);
    const float gain = v > 1.0f ? 1.0f - 1.0f / v : 0.0f;
    m0[i] = m0[i] + gain * (c0[i] - m0[i]);
    m1[i] = m1[i] + gain * (c1[i] - m1[i]);
    m2[i] = m2[i] + gain * (c2[i] - m2[i]);
  }
}

void Axis(const float* const c[3], const float* const s[3], const float u[3], float least, size_t n,
          float* __restrict signal, float* __restrict of_screen, float* __restrict tint) {
  const float *c0 = c[0], *c1 = c[1], *c2 = c[2], *s0 = s[0], *s1 = s[1], *s2 = s[2];
  const float u0 = u[0], u1 = u[1], u2 = u[2];
  for (size_t i = 0; i < n; ++i) {
    signal[i] = c0[i] * u0 + c1[i] * u1 + c2[i] * u2;
    const float screen = s0[i] * u0 + s1[i] * u1 + s2[i] * u2;
    of_screen[i] = screen > least ? screen : least;
    const float light = c0[i] + c1[i] + c2[i], of_light = s0[i] + s1[i] + s2[i];
    tint[i] = signal[i] * of_light / (of_screen[i] * (light > least ? light : least));
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(AllFinite);
HWY_EXPORT(AtMost);
HWY_EXPORT(AddThree);
HWY_EXPORT(Minus);
HWY_EXPORT(Distance);
HWY_EXPORT(Shade);
HWY_EXPORT(Alike);
HWY_EXPORT(Slow);
HWY_EXPORT(Roughness);
HWY_EXPORT(Shrink);
HWY_EXPORT(Axis);

void FiniteRow(const float* in, float gain, float least, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(AllFinite)(in, gain, least, n, out);
}
void AtMostRow(float most, size_t n, float* values) { HWY_DYNAMIC_DISPATCH(AtMost)(most, n, values); }
void AddThreeRow(const float* a, const float* b, const float* c, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(AddThree)(a, b, c, n, out);
}
void MinusRow(const float* a, const float* b, size_t n, float* out) { HWY_DYNAMIC_DISPATCH(Minus)(a, b, n, out); }
void DistanceRow(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(Distance)(in, a, b, share_of_mean, model, n, out);
}
void ShadeRow(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n, float* ratio,
              float* rest) {
  HWY_DYNAMIC_DISPATCH(Shade)(in, a, b, share_of_mean, model, n, ratio, rest);
}
void AlikeRow(const float* rest, float most, const float* ratio, float low, float high, size_t n, uint8_t* alike) {
  HWY_DYNAMIC_DISPATCH(Alike)(rest, most, ratio, low, high, n, alike);
}
void SlowRow(const uint8_t* alike, const float* here, const float* above, const float* below, float slow, size_t n,
             uint8_t* shade, uint8_t* thin) {
  HWY_DYNAMIC_DISPATCH(Slow)(alike, here, above, below, slow, n, shade, thin);
}
void RoughnessRow(const float* const c[3], const float* const m[3], float a, float b, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(Roughness)(c, m, a, b, n, out);
}
void ShrinkRow(const float* columns, const float* const c[3], float* const m[3], size_t n) {
  HWY_DYNAMIC_DISPATCH(Shrink)(columns, c, m, n);
}
void AxisRow(const float* const c[3], const float* const s[3], const float u[3], float least, size_t n, float* signal,
             float* of_screen, float* tint) {
  HWY_DYNAMIC_DISPATCH(Axis)(c, s, u, least, n, signal, of_screen, tint);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
