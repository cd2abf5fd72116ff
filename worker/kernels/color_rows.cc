#include "worker/kernels/color_rows.h"

#include <algorithm>
#include <limits>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/color_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::HWY_NAMESPACE {

void Grade(float gain, float lift, float exposure, const float* in, float* out, size_t count) {
  if (lift == 0) {
    for (size_t i = 0; i < count; ++i) out[i] = in[i] * gain * exposure;
    return;
  }
  for (size_t i = 0; i < count; ++i) {
    const float gained = in[i] * gain;
    out[i] = (gained + lift * (1.0f - gained)) * exposure;
  }
}

void Add(float offset, const float* in, float* out, size_t count) {
  for (size_t i = 0; i < count; ++i) out[i] = in[i] + offset;
}

void Rotate(float toward_next, float toward_last, const float* const in[3], float* const out[3], size_t count) {
  const float* r = in[0];
  const float* g = in[1];
  const float* b = in[2];
  float* __restrict ro = out[0];
  float* __restrict go = out[1];
  float* __restrict bo = out[2];
  for (size_t i = 0; i < count; ++i) {
    const float red = r[i], green = g[i], blue = b[i];
    ro[i] = red + toward_next * (green - red) + toward_last * (blue - red);
    go[i] = green + toward_next * (blue - green) + toward_last * (red - green);
    bo[i] = blue + toward_next * (red - blue) + toward_last * (green - blue);
  }
}

// Every segment is tried on every sample: selections vectorise, look-ups don't.
void CurveAll(const CurveSegment* segments, size_t segment_count, const float* in, float* out, size_t count) {
  // In blocks that stay in the first cache between the segments.
  constexpr size_t kBlock = 512;
  constexpr double kMost = std::numeric_limits<float>::max();
  double x[kBlock], result[kBlock];
  for (size_t from = 0; from < count; from += kBlock) {
    const size_t n = std::min(kBlock, count - from);
    const CurveSegment first = segments[0];
    for (size_t i = 0; i < n; ++i) {
      // Infinity times a slope of zero would be no number.
      double v = in[from + i];
      v = v > kMost ? kMost : v;
      v = v < -kMost ? -kMost : v;
      x[i] = v;
      result[i] = first.y0 + (v - first.x0) * first.m;
    }
    for (size_t s = 0; s < segment_count; ++s) {
      const CurveSegment c = segments[s];
      for (size_t i = 0; i < n; ++i) {
        const double t = x[i] - c.x0;
        const double y = c.y0 + t * (c.m + t * (c.c2 + t * c.c3));
        result[i] = t >= 0.0 ? y : result[i];
      }
    }
    for (size_t i = 0; i < n; ++i) out[from + i] = static_cast<float>(result[i]);
  }
}

}  // namespace selvage::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage {

HWY_EXPORT(Grade);
HWY_EXPORT(Add);
HWY_EXPORT(Rotate);
HWY_EXPORT(CurveAll);

void GradeRow(float gain, float lift, float exposure, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Grade)(gain, lift, exposure, in, out, count);
}
void AddRow(float offset, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Add)(offset, in, out, count);
}
void RotateRow(float toward_next, float toward_last, const float* const in[3], float* const out[3], size_t count) {
  HWY_DYNAMIC_DISPATCH(Rotate)(toward_next, toward_last, in, out, count);
}
void CurveRow(const std::vector<CurveSegment>& segments, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(CurveAll)(segments.data(), segments.size(), in, out, count);
}

}  // namespace selvage
#endif  // HWY_ONCE
