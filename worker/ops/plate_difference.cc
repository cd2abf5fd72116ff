// Distance to a clean plate in units of the noise. Formula: proto/ops/key.proto.
#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/noise_input.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// Less variance than this (far below what binary16 rounds away) is no noise.
constexpr float kLeastVariance = 1e-12f;

// to += (C - S)^2 / (a S + b).
void AddDistance(const float* color, const float* screen, const NoiseCurve& noise, int n, float* __restrict to) {
  const float a = noise.a, b = noise.b;
  for (int x = 0; x < n; ++x) {
    const float variance = a * screen[x] + b, difference = color[x] - screen[x];
    to[x] += difference * difference / (variance > kLeastVariance ? variance : kLeastVariance);
  }
}

// to = sum of 2 radius + 1 neighbours, `step` apart, in ascending order: the
// same bits in any tile.
void SumAlong(const float* from, ptrdiff_t step, int radius, int n, float* __restrict to) {
  const float* first = from - radius * step;
  for (int x = 0; x < n; ++x) to[x] = first[x];
  for (int k = 1; k <= 2 * radius; ++k) {
    const float* next = first + k * step;
    for (int x = 0; x < n; ++x) to[x] += next[x];
  }
}

// From the mean of d2 to the matte. What is no number is unlike the screen.
void RiseRow(float low, float high, float share, int n, float* row) {
  const bool step = !(high > low);
  const float range = step ? 1.0f : high - low;
  for (int x = 0; x < n; ++x) {
    const float distance = std::sqrt(row[x] * share);
    float rise = (distance - low) / range;
    rise = rise < 1.0f ? rise : 1.0f;
    rise = rise > 0.0f ? rise : 0.0f;
    const float hard = distance <= low ? 0.0f : 1.0f;
    row[x] = step ? hard : rise;
  }
}

class PlateDifferenceOp final : public TypedOp<PlateDifference> {
 public:
  Rect Reads(const OpContext&, const PlateDifference& p, const Rect& out, const Input&) const override {
    return out.Grow(static_cast<int>(p.radius()));
  }

  absl::Status Make(const OpContext&, const PlateDifference& p, const Inputs& in, Picture* out) const override {
    if (p.high().value() < p.low().value()) return absl::InvalidArgumentError("high is below low");
    ASSIGN_OR_RETURN(const std::optional<NoiseMeasurement> noise, GivenNoise(p, in));
    if (!noise) return absl::InvalidArgumentError("needs a noise measurement: set `sample` or `profile`");

    const Picture& picture = in.main().picture;
    const Picture& screen = in.Find("clean_plate")->picture;
    const int radius = static_cast<int>(p.radius());
    const Rect rect = out->rect(), wide = rect.Grow(radius);
    const int n = rect.width();
    // Summed along each row, then down the columns.
    Plane across({rect.x0, wide.y0, rect.x1, wide.y1});
    std::vector<float> distance(wide.width());
    ForRows(wide, [&](int y) {
      std::fill(distance.begin(), distance.end(), 0.0f);
      for (int c = 0; c < 3; ++c) {
        AddDistance(picture.planes[c].row(y), screen.planes[c].row(y), noise->curves[c], wide.width(), distance.data());
      }
      SumAlong(distance.data() + radius, 1, radius, n, across.row(y));
    });
    const float side = static_cast<float>(2 * radius + 1);
    const float low = static_cast<float>(p.low().value()), high = static_cast<float>(p.high().value());
    ForRows(rect, [&](int y) {
      float* to = out->planes[0].row(y);
      SumAlong(across.row(y), across.stride(), radius, n, to);
      RiseRow(low, high, 1.0f / (3.0f * side * side), n, to);
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("plate_difference", PlateDifferenceOp);

}  // namespace
}  // namespace selvage::worker
