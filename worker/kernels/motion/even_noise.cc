#include "worker/kernels/motion/even_noise.h"

#include <algorithm>
#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/motion/even_noise.cc"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"
#include "worker/kernels/pixels/dct-inl.h"

#ifndef SELVAGE_STABILISE_ONCE_
#define SELVAGE_STABILISE_ONCE_
namespace selvage::worker::patches {
constexpr float kThird = 0.577350269f;  // 1/sqrt(3)
constexpr float kHalf = 0.707106781f;   // 1/sqrt(2)
constexpr float kSixth = 0.408248290f;  // 1/sqrt(6)
}  // namespace selvage::worker::patches
#endif

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::patches {
namespace HWY_NAMESPACE {

// One channel, ready for use.
struct Curve {
  F8 a, c, s;
};
HWY_INLINE Curve Spread(const NoiseCurve& n) { return {All(n.a), All(n.offset()), All(n.slope())}; }

HWY_INLINE F8 EvenNoise(const Curve& n, F8 y) { return (y + y) / (Root(Largest(n.a * y + n.c, All(0.0f))) + n.s); }

HWY_INLINE F8 Restore(const Curve& n, F8 u) {
  // a*u/2 + s is the square root that EvenNoise took; below 0 it took 0.
  const F8 root = n.a * u * All(0.5f) + n.s;
  const F8 curved = u * n.s + n.a * u * u * All(0.25f);
  const F8 straight = u * n.s * All(0.5f);
  return SelectLess(root, All(0.0f), straight, curved) + n.a * All(0.25f * 2 / 3);
}

// Rows end where they end: the last few pixels go through a buffer of eight.
HWY_INLINE F8 LoadSome(const float* p, int count) {
  HWY_ALIGN float part[8] = {};
  for (int i = 0; i < count; ++i) part[i] = p[i];
  return Load8(part);
}
HWY_INLINE void StoreSome(F8 x, float* p, int count) {
  HWY_ALIGN float part[8];
  Store8(x, part);
  for (int i = 0; i < count; ++i) p[i] = part[i];
}

void EvenNoisePixels(const NoiseCurves& curves, const float* const rgb[3], int count, float* const yuv[3]) {
  const Curve cr = Spread(curves[0]), cg = Spread(curves[1]), cb = Spread(curves[2]);
  for (int x = 0; x < count; x += 8) {
    const int n = count - x;
    const F8 r = EvenNoise(cr, n >= 8 ? Load8(rgb[0] + x) : LoadSome(rgb[0] + x, n));
    const F8 g = EvenNoise(cg, n >= 8 ? Load8(rgb[1] + x) : LoadSome(rgb[1] + x, n));
    const F8 b = EvenNoise(cb, n >= 8 ? Load8(rgb[2] + x) : LoadSome(rgb[2] + x, n));
    const F8 y = (r + g + b) * All(kThird);
    const F8 u = (r - b) * All(kHalf);
    const F8 v = (r + b - (g + g)) * All(kSixth);
    if (n >= 8) {
      Store8(y, yuv[0] + x);
      Store8(u, yuv[1] + x);
      Store8(v, yuv[2] + x);
    } else {
      StoreSome(y, yuv[0] + x, n);
      StoreSome(u, yuv[1] + x, n);
      StoreSome(v, yuv[2] + x, n);
    }
  }
}

void EvenNoiseLuma(const NoiseCurves& curves, const float* const rgb[3], int count, float scale, int16_t* luma) {
  const Curve cr = Spread(curves[0]), cg = Spread(curves[1]), cb = Spread(curves[2]);
  const F8 factor = All(kThird * scale);
  for (int x = 0; x < count; x += 8) {
    const int n = count - x < 8 ? count - x : 8;
    const F8 r = EvenNoise(cr, n == 8 ? Load8(rgb[0] + x) : LoadSome(rgb[0] + x, n));
    const F8 g = EvenNoise(cg, n == 8 ? Load8(rgb[1] + x) : LoadSome(rgb[1] + x, n));
    const F8 b = EvenNoise(cb, n == 8 ? Load8(rgb[2] + x) : LoadSome(rgb[2] + x, n));
    const F8 y = Largest(Smallest((r + g + b) * factor, All(16383.0f)), All(-16383.0f));
    HWY_ALIGN float part[8];
    // Positive, so that cutting off the fraction rounds half up.
    Store8(y + All(16384.5f), part);
    for (int i = 0; i < n; ++i) luma[x + i] = static_cast<int16_t>(static_cast<int>(part[i]) - 16384);
  }
}

void RestorePixels(const NoiseCurves& curves, const float* const yuv[3], int count, float* const rgb[3]) {
  const Curve cr = Spread(curves[0]), cg = Spread(curves[1]), cb = Spread(curves[2]);
  for (int x = 0; x < count; x += 8) {
    const int n = count - x;
    const F8 y = (n >= 8 ? Load8(yuv[0] + x) : LoadSome(yuv[0] + x, n)) * All(kThird);
    const F8 u = (n >= 8 ? Load8(yuv[1] + x) : LoadSome(yuv[1] + x, n)) * All(kHalf);
    const F8 v = (n >= 8 ? Load8(yuv[2] + x) : LoadSome(yuv[2] + x, n)) * All(kSixth);
    const F8 r = Restore(cr, y + u + v);
    const F8 g = Restore(cg, y - (v + v));
    const F8 b = Restore(cb, y - u + v);
    if (n >= 8) {
      Store8(r, rgb[0] + x);
      Store8(g, rgb[1] + x);
      Store8(b, rgb[2] + x);
    } else {
      StoreSome(r, rgb[0] + x, n);
      StoreSome(g, rgb[1] + x, n);
      StoreSome(b, rgb[2] + x, n);
    }
  }
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker::patches
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {
namespace patches {
HWY_EXPORT(EvenNoisePixels);
HWY_EXPORT(EvenNoiseLuma);
HWY_EXPORT(RestorePixels);

void CallEvenNoise(const NoiseCurves& curves, const float* const rgb[3], int count, float* const yuv[3]) {
  HWY_DYNAMIC_DISPATCH(EvenNoisePixels)(curves, rgb, count, yuv);
}
void CallLuma(const NoiseCurves& curves, const float* const rgb[3], int count, float scale, int16_t* luma) {
  HWY_DYNAMIC_DISPATCH(EvenNoiseLuma)(curves, rgb, count, scale, luma);
}
void CallRestore(const NoiseCurves& curves, const float* const yuv[3], int count, float* const rgb[3]) {
  HWY_DYNAMIC_DISPATCH(RestorePixels)(curves, yuv, count, rgb);
}
}  // namespace patches

float NoiseCurve::offset() const { return std::max(0.375f * a * a + b, 1e-12f); }
float NoiseCurve::slope() const { return std::sqrt(offset()); }

void EvenNoiseRow(const NoiseCurves& curves, const float* const rgb[3], int count, float* const yuv[3]) {
  patches::CallEvenNoise(curves, rgb, count, yuv);
}
void EvenNoiseLumaRow(const NoiseCurves& curves, const float* const rgb[3], int count, float scale, int16_t* luma) {
  patches::CallLuma(curves, rgb, count, scale, luma);
}
void RestoreRow(const NoiseCurves& curves, const float* const yuv[3], int count, float* const rgb[3]) {
  patches::CallRestore(curves, yuv, count, rgb);
}

float EvenNoiseWhite(const NoiseCurves& curves) {
  float sum = 0;
  for (const NoiseCurve& n : curves) sum += 2 / (std::sqrt(n.a + n.offset()) + n.slope());
  return sum * patches::kThird;
}

}  // namespace selvage::worker
#endif
