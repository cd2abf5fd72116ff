// Rotation about the grey axis of RGB.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/color_rows.h"

namespace selvage::worker {
namespace {

class HueRotateOp final : public TypedOp<HueRotate> {
  absl::Status Make(const OpContext&, const HueRotate& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const HueTurn turn = HueTurn::By(p.rotate().value());
    if (turn.none()) {
      out->planes = picture.planes;
      return absl::OkStatus();
    }
    const Rect rect = out->rect();
    out->planes[3] = picture.planes[3];
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* const from[3] = {picture.planes[0].row(y), picture.planes[1].row(y), picture.planes[2].row(y)};
      float* const to[3] = {out->planes[0].row(y), out->planes[1].row(y), out->planes[2].row(y)};
      RotateRow(turn, from, to, static_cast<size_t>(rect.width()));
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("hue_rotate", HueRotateOp);

}  // namespace
}  // namespace selvage::worker
