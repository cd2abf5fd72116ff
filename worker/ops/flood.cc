// A solid picture of the format.
#include "worker/chain/op.h"

namespace selvage::worker {
namespace {

class FloodOp final : public TypedOp<Flood> {
  absl::Status Make(const OpContext&, const Flood& p, const Inputs&, Picture* out) const override {
    const float alpha = static_cast<float>(p.alpha().value());
    const Rect rect = out->rect();
    if (p.as() == Flood::FLOOD_MATTE) {
      out->planes[0] = Plane::Filled(rect, alpha);
      return absl::OkStatus();
    }
    const bool multiply = p.as() == Flood::FLOOD_PREMULTIPLIED;
    const double color[] = {p.color().r(), p.color().g(), p.color().b()};
    for (int c = 0; c < 3; ++c) {
      const float value = static_cast<float>(color[c]);
      out->planes[c] = Plane::Filled(rect, multiply ? value * alpha : value);
    }
    out->planes[3] = Plane::Filled(rect, multiply ? alpha : 1.0f);
    return absl::OkStatus();
  }
};
REGISTER_OP("flood", FloodOp);

}  // namespace
}  // namespace selvage::worker
