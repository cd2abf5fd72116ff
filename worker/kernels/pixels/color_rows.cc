#include "worker/kernels/pixels/color_rows.h"

#include <algorithm>
#include <cmath>
#include <limits>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/color_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"
#include "worker/kernels/pixels/math.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

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

void Weigh(const float* weights, const float* const in[3], float* out, size_t count) {
  const float wr = weights[0], wg = weights[1], wb = weights[2];
  const float* r = in[0];
  const float* g = in[1];
  const float* b = in[2];
  for (size_t i = 0; i < count; ++i) out[i] = wr * r[i] + wg * g[i] + wb * b[i];
}

void Saturate(float amount, const float* const in[3], float* const out[3], size_t count) {
  const float less = 1.0f - amount;
  const bool grey = amount == 0.0f;
  const float* r = in[0];
  const float* g = in[1];
  const float* b = in[2];
  float* __restrict ro = out[0];
  float* __restrict go = out[1];
  float* __restrict bo = out[2];
  for (size_t i = 0; i < count; ++i) {
    const float red = r[i], green = g[i], blue = b[i];
    const float y = green + kLuminance[0] * (red - green) + kLuminance[2] * (blue - green);
    const float red_mix = red + less * (y - red), green_mix = green + less * (y - green);
    const float blue_mix = blue + less * (y - blue);
    ro[i] = grey ? y : red_mix;
    go[i] = grey ? y : green_mix;
    bo[i] = grey ? y : blue_mix;
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

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(Grade);
HWY_EXPORT(Add);
HWY_EXPORT(Rotate);
HWY_EXPORT(Weigh);
HWY_EXPORT(Saturate);
HWY_EXPORT(CurveAll);

void GradeRow(float gain, float lift, float exposure, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Grade)(gain, lift, exposure, in, out, count);
}
void AddRow(float offset, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Add)(offset, in, out, count);
}
HueTurn HueTurn::By(double degrees) {
  const double turned = std::fmod(degrees, 360.0);
  if (turned == 0) return {};
  const double angle = turned * (3.14159265358979323846 / 180);
  const double share = (1 - Cos(angle)) / 3, turn = Sin(angle) / std::sqrt(3.0);
  // Red's share of green falls with the angle: what red loses, green gains.
  return {static_cast<float>(share - turn), static_cast<float>(share + turn)};
}
void RotateRow(const HueTurn& turn, const float* const in[3], float* const out[3], size_t count) {
  HWY_DYNAMIC_DISPATCH(Rotate)(turn.toward_next, turn.toward_last, in, out, count);
}
void WeighRow(const float weights[3], const float* const in[3], float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Weigh)(weights, in, out, count);
}
void SaturateRow(float amount, const float* const in[3], float* const out[3], size_t count) {
  HWY_DYNAMIC_DISPATCH(Saturate)(amount, in, out, count);
}
void CurveRow(const std::vector<CurveSegment>& segments, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(CurveAll)(segments.data(), segments.size(), in, out, count);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
