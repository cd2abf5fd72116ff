#include "worker/kernels/pixels/chroma_rows.h"

#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/chroma_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"
#include "worker/kernels/pixels/math.h"

// Plain loops, compiled once for each target.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

constexpr float kWeightR = 0.2126f, kWeightG = 0.7152f, kWeightB = 0.0722f;
// (B - Y) and (R - Y) run from -1/2 to 1/2 with these: 2 (1 - weight).
constexpr float kCbScale = 1.8556f, kCrScale = 1.5748f;
// Added to luminance, so that black has no chroma.
constexpr float kDark = 0.01f;
constexpr float kDegreesPerRadian = 57.29577951308232f;

HWY_INLINE Chroma Of(float r, float g, float b) {
  const float y = kWeightR * r + kWeightG * g + kWeightB * b;
  const float light = (y > 0.0f ? y : 0.0f) + kDark;
  return {(b - y) / kCbScale / light, (r - y) / kCrScale / light};
}

HWY_INLINE float Length(Chroma c) { return std::sqrt(c.b * c.b + c.r * c.r); }

// 0..1; NaN gives 0.
HWY_INLINE float Share(float v) {
  v = v > 0.0f ? v : 0.0f;
  return v < 1.0f ? v : 1.0f;
}

HWY_INLINE float Matte(Chroma c, Chroma screen, float screen_length, const Wedge& wedge) {
  const float along = c.b * screen.b + c.r * screen.r;
  const float across = c.b * screen.r - c.r * screen.b;
  const float angle = Atan2(across < 0.0f ? -across : across, along) * kDegreesPerRadian;
  const float by_angle = Share((wedge.far_angle - angle) / wedge.soft_angle);
  const float by_length = Share((Length(c) / screen_length - wedge.inner) / wedge.span);
  const float matte = 1.0f - by_angle * by_length;
  return screen_length > kLeastChroma ? matte : 1.0f;
}

void One(float r, float g, float b, Chroma* to) { *to = Of(r, g, b); }

void KeyColor(const float* const rgb[3], const Chroma& screen, const Wedge& given, size_t n, float* HWY_RESTRICT to) {
  const float *r = rgb[0], *g = rgb[1], *b = rgb[2];
  const Chroma s = screen;
  const Wedge wedge = given;
  const float length = Length(s);
  for (size_t x = 0; x < n; ++x) to[x] = Matte(Of(r[x], g[x], b[x]), s, length, wedge);
}

void KeyPlate(const float* const rgb[3], const float* const screen[3], const Wedge& given, size_t n,
              float* HWY_RESTRICT to) {
  const float *r = rgb[0], *g = rgb[1], *b = rgb[2];
  const float *sr = screen[0], *sg = screen[1], *sb = screen[2];
  const Wedge wedge = given;
  for (size_t x = 0; x < n; ++x) {
    const Chroma s = Of(sr[x], sg[x], sb[x]);
    to[x] = Matte(Of(r[x], g[x], b[x]), s, Length(s), wedge);
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(One);
HWY_EXPORT(KeyColor);
HWY_EXPORT(KeyPlate);

Chroma ChromaOf(float r, float g, float b) {
  Chroma c;
  HWY_DYNAMIC_DISPATCH(One)(r, g, b, &c);
  return c;
}
float LengthOf(const Chroma& c) { return std::sqrt(c.b * c.b + c.r * c.r); }
void ChromaRangeRow(const float* const rgb[3], const Chroma& screen, const Wedge& wedge, size_t count, float* matte) {
  HWY_DYNAMIC_DISPATCH(KeyColor)(rgb, screen, wedge, count, matte);
}
void ChromaRangeRow(const float* const rgb[3], const float* const screen[3], const Wedge& wedge, size_t count,
                    float* matte) {
  HWY_DYNAMIC_DISPATCH(KeyPlate)(rgb, screen, wedge, count, matte);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
