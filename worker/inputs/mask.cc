#include "worker/inputs/mask.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/kernels/geometry/coverage.h"
#include "worker/kernels/geometry/distance_outline.h"

namespace selvage::worker {
namespace {

// 8 million chords are 256 MiB.
constexpr size_t kMaxChords = 8'000'000;
// Chords nearer than this to a rectangle are taken to touch it: far more than
// rounding, so that a rectangle called constant is so to the last bit.
constexpr double kClearance = 1e-6;

// Either one value for all pixels or a plane of them.
struct Cover {
  float value = 0;
  std::optional<Plane> plane;
};

// 3t^2 - 2t^3 of the distance as a share of the ramp, by which 1 is reached.
float Ramp(float distance, float width) {
  float t = distance / width;
  t = t < 1.0f ? t : 1.0f;
  return t * t * (3.0f - 2.0f * t);
}

void ApplyFeather(const ResolvedMask::Shape& shape, const std::vector<Chord>& chords, Plane* cover) {
  const float width = static_cast<float>(std::abs(shape.feather()));
  const bool outward = shape.feather() > 0;
  Plane distance(cover->rect());
  if (!outward && shape.rule() == Mask::NONZERO) {
    OutlineDistance(NonZeroBoundary(chords, cover->rect(), width), width, &distance);
  } else {
    OutlineDistance(chords, width, &distance);
  }
  const Rect& rect = cover->rect();
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* c = cover->row(y);
    const float* d = distance.row(y);
    if (outward) {
      for (int x = 0; x < rect.width(); ++x) c[x] = c[x] + (1.0f - c[x]) * (1.0f - Ramp(d[x], width));
    } else {
      for (int x = 0; x < rect.width(); ++x) c[x] = c[x] * Ramp(d[x], width);
    }
  }
}

absl::StatusOr<Cover> Draw(const ResolvedMask::Shape& shape, const Rect& rect) {
  if (!std::isfinite(shape.feather()) || !std::isfinite(shape.opacity())) {
    return absl::InvalidArgumentError("a mask's feather or opacity is not finite");
  }
  std::vector<Chord> chords;
  for (const auto& path : shape.path()) RETURN_IF_ERROR(FlattenPath(path.xy(), &chords));
  const FillRule rule = shape.rule() == Mask::EVENODD ? FillRule::kEvenOdd : FillRule::kNonZero;
  const float opacity = static_cast<float>(shape.opacity());
  const double reach = std::abs(shape.feather()) + kClearance;
  const bool touched =
      std::any_of(chords.begin(), chords.end(), [&](const Chord& c) { return ComesNear(c, rect, reach); });

  Cover cover;
  if (!touched) {
    CoverageScan scan(chords, rule, {rect.x0, rect.y0, rect.x0 + 1, rect.y0 + 1});
    scan.NextRow(&cover.value);
    cover.value *= opacity;
    return cover;
  }
  Plane plane(rect);
  CoverageScan scan(chords, rule, rect);
  for (int y = rect.y0; y < rect.y1; ++y) scan.NextRow(plane.row(y));
  if (shape.feather() != 0) ApplyFeather(shape, chords, &plane);
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* row = plane.row(y);
    for (int x = 0; x < rect.width(); ++x) row[x] *= opacity;
  }
  cover.plane = std::move(plane);
  return cover;
}

float Blend(float a, float b, bool subtract) {
  const float larger = a < b ? b : a;
  return subtract ? a * (1.0f - b) : larger;
}

// One value becomes a plane of it.
void Spread(const Rect& rect, Cover* cover) {
  if (cover->plane) return;
  cover->plane = Plane(rect);
  for (int y = rect.y0; y < rect.y1; ++y) std::fill_n(cover->plane->row(y), rect.width(), cover->value);
}

// Draws `shape` on top of `under`.
void DrawOnto(const Cover& shape, bool subtract, const Rect& rect, Cover* under) {
  if (!under->plane && !shape.plane) {
    under->value = Blend(under->value, shape.value, subtract);
    return;
  }
  Spread(rect, under);
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* a = under->plane->row(y);
    if (shape.plane) {
      const float* b = shape.plane->row(y);
      for (int x = 0; x < rect.width(); ++x) a[x] = Blend(a[x], b[x], subtract);
    } else {
      for (int x = 0; x < rect.width(); ++x) a[x] = Blend(a[x], shape.value, subtract);
    }
  }
}

// Adds `more` to `sum`.
void AddOnto(const Cover& more, const Rect& rect, Cover* sum) {
  if (!sum->plane && !more.plane) {
    sum->value += more.value;
    return;
  }
  Spread(rect, sum);
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* a = sum->plane->row(y);
    const float* b = more.plane ? more.plane->row(y) : nullptr;
    for (int x = 0; x < rect.width(); ++x) a[x] += b ? b[x] : more.value;
  }
}

}  // namespace

absl::Status FlattenPath(const google::protobuf::RepeatedField<double>& xy, std::vector<Chord>* chords) {
  if (xy.empty()) return absl::OkStatus();
  if (xy.size() % 6 != 2) {
    return absl::InvalidArgumentError(absl::StrCat("a mask's path has ", xy.size(), " numbers, not 2 + 6n"));
  }
  for (double v : xy) {
    if (!std::isfinite(v)) return absl::InvalidArgumentError("a mask's path has a point that is not finite");
  }
  const Point start{xy[0], xy[1]};
  Point at = start;
  for (int i = 2; i < xy.size(); i += 6) {
    const Point end{xy[i + 4], xy[i + 5]};
    FlattenCubic(at, {xy[i], xy[i + 1]}, {xy[i + 2], xy[i + 3]}, end, chords);
    at = end;
    if (chords->size() > kMaxChords)
      return absl::InvalidArgumentError("a mask's shape has too many or too large curves");
  }
  if (at.x != start.x || at.y != start.y) chords->push_back({at, start});
  return absl::OkStatus();
}

absl::Status RenderMask(const ResolvedMask& mask, Plane* out) {
  const Rect rect = out->rect();
  out->constant.reset();
  if (rect.empty()) return absl::OkStatus();
  const int instants = std::max(1, static_cast<int>(mask.instants()));
  const int shapes = mask.shape_size() / instants;
  if (shapes * instants != mask.shape_size()) {
    return absl::InvalidArgumentError(
        absl::StrCat("a mask's ", mask.shape_size(), " shapes don't divide into ", instants, " instants"));
  }
  Cover result;
  for (int i = 0; i < instants; ++i) {
    Cover now;
    for (int k = 0; k < shapes; ++k) {
      const auto& shape = mask.shape(i * shapes + k);
      ASSIGN_OR_RETURN(const Cover cover, Draw(shape, rect));
      DrawOnto(cover, shape.subtract(), rect, &now);
    }
    if (i == 0) {
      result = std::move(now);
    } else {
      AddOnto(now, rect, &result);
    }
  }
  const float share = 1.0f / static_cast<float>(instants);
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* to = out->row(y);
    if (result.plane) {
      const float* from = result.plane->row(y);
      for (int x = 0; x < rect.width(); ++x) to[x] = from[x] * share;
    } else {
      std::fill_n(to, rect.width(), result.value * share);
    }
    if (!mask.invert()) continue;
    for (int x = 0; x < rect.width(); ++x) to[x] = 1.0f - to[x];
  }
  if (!result.plane) out->constant = out->at(rect.x0, rect.y0);
  return absl::OkStatus();
}

}  // namespace selvage::worker
