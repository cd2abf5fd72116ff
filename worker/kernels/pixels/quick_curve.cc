#include "worker/kernels/pixels/quick_curve.h"

#include <bit>
#include <cstdint>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/quick_curve.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// x^y for normal x > 0 and results within 2^-126..2^127; as in math.h, but shorter.
HWY_INLINE float QuickPow(float x, float y) {
  // x = m 2^n with m in [sqrt(1/2), sqrt(2)).
  const uint32_t bits = std::bit_cast<uint32_t>(x);
  const int32_t n = static_cast<int32_t>((bits - 0x3F3504F3u + (128u << 23)) >> 23) - 128;
  const float m = std::bit_cast<float>(bits - (static_cast<uint32_t>(n) << 23));
  // log m = 2 artanh s, |s| <= 0.1716, the first term left out is 2e-9 of s.
  const float s = (m - 1.0f) / (m + 1.0f), s2 = s * s;
  float p = 1.0f / 9;
  p = p * s2 + 1.0f / 7;
  p = p * s2 + 1.0f / 5;
  p = p * s2 + 1.0f / 3;
  p = p * s2 + 1.0f;
  const float whole = y * static_cast<float>(n), rest = y * (p * s * 2.8853900817779268f);
  // Adding 1.5 * 2^23 rounds to a whole number, which stands in the lowest bits.
  const float shifted = (whole + rest) + 12582912.0f;
  const float f = ((whole - (shifted - 12582912.0f)) + rest) * 0.69314718055994531f;
  // e^f, |f| <= 0.3466, the first term left out is 5e-9.
  float q = 1.0f / 5040;
  q = q * f + 1.0f / 720;
  q = q * f + 1.0f / 120;
  q = q * f + 1.0f / 24;
  q = q * f + 1.0f / 6;
  q = q * f + 0.5f;
  q = q * f + 1.0f;
  q = q * f + 1.0f;
  return q * std::bit_cast<float>((std::bit_cast<uint32_t>(shifted) + 127u) << 23);
}

// Straight below `knee`, the first float that the standard gives to the curve,
// elsewhere a power; what is not finite stays.
template <class Straight, class Curve>
HWY_INLINE void Map(const float* in, float* out, size_t count, float knee, Straight straight, Curve curve) {
  for (size_t i = 0; i < count; ++i) {
    const float x = in[i], low = straight(x), high = curve(x);
    const float value = x < knee ? low : high;
    out[i] = x <= 3e38f ? value : x;
  }
}

void Encode(bool srgb, const float* in, float* out, size_t count) {
  if (srgb) {
    Map(
        in, out, count, 0.0031308f, [](float l) { return l * 12.92f; },
        [](float l) { return 1.055f * QuickPow(l, 1 / 2.4f) - 0.055f; });
  } else {
    Map(
        in, out, count, 0.018000001f, [](float l) { return l * 4.5f; },
        [](float l) { return 1.099f * QuickPow(l, 0.45f) - 0.099f; });
  }
}

void Decode(bool srgb, const float* in, float* out, size_t count) {
  if (srgb) {
    Map(
        in, out, count, 0.040450003f, [](float v) { return v * (1 / 12.92f); },
        [](float v) { return QuickPow((v + 0.055f) * (1 / 1.055f), 2.4f); });
  } else {
    Map(
        in, out, count, 0.081f, [](float v) { return v * (1 / 4.5f); },
        [](float v) { return QuickPow((v + 0.099f) * (1 / 1.099f), 1 / 0.45f); });
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(Encode);
HWY_EXPORT(Decode);

void QuickEncodeRow(Encoding encoding, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Encode)(encoding == ENCODING_SRGB, in, out, count);
}
void QuickDecodeRow(Encoding encoding, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Decode)(encoding == ENCODING_SRGB, in, out, count);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
