#include "worker/kernels/pixels/half.h"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/half.cc"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"

// CPUs from AVX2 on convert in hardware (F16C), exactly as IEEE 754 says but
// for the payload of a NaN, which is replaced before. The others use the integer
// arithmetic of the header, for every target the same.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker {
namespace HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET == HWY_AVX2 || HWY_TARGET == HWY_AVX3
#define SELVAGE_F16C 1
#else
#define SELVAGE_F16C 0
#endif

#if SELVAGE_F16C
using F = hn::ScalableTag<float>;
using H = hn::Rebind<hwy::float16_t, F>;

HWY_INLINE hn::Vec<F> Load(const uint16_t* in) {
  const auto wide = hn::PromoteTo(F(), hn::LoadU(H(), reinterpret_cast<const hwy::float16_t*>(in)));
  return hn::IfThenElse(hn::IsNaN(wide), hn::Set(F(), std::bit_cast<float>(0x7FC00000u)), wide);
}
HWY_INLINE void Store(hn::Vec<F> v, uint16_t* out) {
  hn::StoreU(hn::DemoteTo(H(), v), H(), reinterpret_cast<hwy::float16_t*>(out));
}
#endif

void ToFloat(const uint16_t* HWY_RESTRICT in, float* HWY_RESTRICT out, size_t n) {
  size_t i = 0;
#if SELVAGE_F16C
  for (; i + hn::Lanes(F()) <= n; i += hn::Lanes(F())) hn::StoreU(Load(in + i), F(), out + i);
#endif
  for (; i < n; ++i) out[i] = HalfToFloat(in[i]);
}

void ToHalf(const float* HWY_RESTRICT in, uint16_t* HWY_RESTRICT out, size_t n) {
  size_t i = 0;
#if SELVAGE_F16C
  const auto nan = hn::Set(F(), std::bit_cast<float>(0x7FC00000u));
  for (; i + hn::Lanes(F()) <= n; i += hn::Lanes(F())) {
    const auto v = hn::LoadU(F(), in + i);
    Store(hn::IfThenElse(hn::IsNaN(v), nan, v), out + i);
  }
#endif
  for (; i < n; ++i) out[i] = FloatToHalf(in[i]);
}

HWY_INLINE uint16_t StoredHalf(float x) {
  x = x > kHalfMax ? kHalfMax : x;
  x = x < -kHalfMax ? -kHalfMax : x;
  const uint16_t h = FloatToHalf(x);
  return h == kHalfNaN || h == 0x8000 ? 0 : h;
}

void ToStored(const float* HWY_RESTRICT in, uint16_t* HWY_RESTRICT out, size_t n) {
  size_t i = 0;
#if SELVAGE_F16C
  const hn::Rebind<uint16_t, F> du;
  const auto high = hn::Set(F(), kHalfMax), low = hn::Set(F(), -kHalfMax);
  for (; i + hn::Lanes(F()) <= n; i += hn::Lanes(F())) {
    auto v = hn::LoadU(F(), in + i);
    v = hn::IfThenElse(v > high, high, v);
    v = hn::IfThenElse(v < low, low, v);
    v = hn::IfThenZeroElse(hn::IsNaN(v), v);
    const auto h = hn::BitCast(du, hn::DemoteTo(H(), v));
    hn::StoreU(hn::IfThenZeroElse(h == hn::Set(du, 0x8000), h), du, out + i);
  }
#endif
  for (; i < n; ++i) out[i] = StoredHalf(in[i]);
}

void StoredOf(const uint16_t* HWY_RESTRICT in, uint16_t* HWY_RESTRICT out, size_t n) {
  for (size_t i = 0; i < n; ++i) {
    const uint16_t h = in[i], magnitude = h & 0x7FFF, sign = h & 0x8000;
    const uint16_t finite = magnitude == 0x7C00 ? static_cast<uint16_t>(sign | 0x7BFF) : h;
    out[i] = magnitude > 0x7C00 || magnitude == 0 ? 0 : finite;
  }
}

void Round(float* samples, size_t n) {
  size_t i = 0;
#if SELVAGE_F16C
  const auto nan = hn::Set(F(), std::bit_cast<float>(0x7FC00000u));
  for (; i + hn::Lanes(F()) <= n; i += hn::Lanes(F())) {
    const auto v = hn::LoadU(F(), samples + i);
    hn::StoreU(hn::PromoteTo(F(), hn::DemoteTo(H(), hn::IfThenElse(hn::IsNaN(v), nan, v))), F(), samples + i);
  }
#endif
  for (; i < n; ++i) samples[i] = HalfToFloat(FloatToHalf(samples[i]));
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker
HWY_AFTER_NAMESPACE();
#undef SELVAGE_F16C

#if HWY_ONCE
namespace selvage::worker {
HWY_EXPORT(ToFloat);
HWY_EXPORT(ToHalf);
HWY_EXPORT(ToStored);
HWY_EXPORT(StoredOf);
HWY_EXPORT(Round);
void HalfToFloat(const uint16_t* in, float* out, size_t n) { HWY_DYNAMIC_DISPATCH(ToFloat)(in, out, n); }
void FloatToHalf(const float* in, uint16_t* out, size_t n) { HWY_DYNAMIC_DISPATCH(ToHalf)(in, out, n); }
void FloatToStored(const float* in, uint16_t* out, size_t n) { HWY_DYNAMIC_DISPATCH(ToStored)(in, out, n); }
void HalfToStored(const uint16_t* in, uint16_t* out, size_t n) { HWY_DYNAMIC_DISPATCH(StoredOf)(in, out, n); }
void RoundToHalf(float* samples, size_t n) { HWY_DYNAMIC_DISPATCH(Round)(samples, n); }
}  // namespace selvage::worker
#endif
