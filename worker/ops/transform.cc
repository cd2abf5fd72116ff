// A picture moved, turned and scaled. Contract: proto/ops/composite.proto.
#include <algorithm>
#include <cmath>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/math.h"
#include "worker/kernels/pixels/resample.h"

namespace selvage::worker {
namespace {

struct Turn {
  double cosine, sine;
};

// Exact at right angles.
Turn TurnBy(double degrees) {
  const double turned = std::fmod(degrees, 360.0);
  const double quarters = turned / 90;
  if (quarters == std::floor(quarters)) {
    constexpr Turn kQuarters[4] = {{1, 0}, {0, 1}, {-1, 0}, {0, -1}};
    return kQuarters[(static_cast<int>(quarters) + 4) % 4];
  }
  const double angle = turned * (3.14159265358979323846 / 180);
  return {Cos(angle), Sin(angle)};
}

// From the result back to the picture: the inverse of
// pivot + move + R(degrees) x scale x (p - pivot).
Affine ToSource(const Transform& p, const Rect& format) {
  const Turn turn = TurnBy(p.rotate().value());
  const double scale = p.scale().value();
  Affine m;
  m.xx = turn.cosine / scale, m.xy = turn.sine / scale;
  m.yx = -turn.sine / scale, m.yy = turn.cosine / scale;
  const double px = p.has_pivot_x() ? p.pivot_x().value() : 0.5 * (format.x0 + format.x1);
  const double py = p.has_pivot_y() ? p.pivot_y().value() : 0.5 * (format.y0 + format.y1);
  const double x = p.x().value(), y = p.y().value();
  // In this order a whole-pixel move stays whole, whatever the pivot.
  m.x0 = ((1 - m.xx) * px - m.xy * py) - (m.xx * x + m.xy * y);
  m.y0 = ((1 - m.yy) * py - m.yx * px) - (m.yx * x + m.yy * y);
  return m;
}

ResampleFilter FilterOf(const Transform& p) {
  switch (p.filter()) {
    case Transform::CUBIC:
      return ResampleFilter::kCubic;
    case Transform::NEAREST:
      return ResampleFilter::kNearest;
    default:
      return ResampleFilter::kLanczos3;
  }
}

class TransformOp final : public TypedOp<Transform> {
 public:
  Rect Window(const OpContext& context, const Transform&, const Inputs&) const override { return context.format; }
  bool PlaceMatters(const google::protobuf::Message&) const override { return true; }

  absl::Status Make(const OpContext& context, const Transform& p, const Inputs& in, Picture* out) const override {
    if (out->rect().empty()) return absl::OkStatus();
    const double widen = std::max(1.0, 1 / p.scale().value());
    if (!Resample(in.main().picture, ToSource(p, context.format), widen, FilterOf(p), context.stopped, out)) {
      return absl::CancelledError("cancelled: no job needs this");
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("transform", TransformOp);

}  // namespace
}  // namespace selvage::worker
