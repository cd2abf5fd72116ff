// Rotation about the grey axis of RGB (Rodrigues' formula with axis (1, 1, 1) / sqrt 3).
#include <cmath>

#include "worker/kernels/color_rows.h"
#include "worker/kernels/math.h"
#include "worker/op.h"

namespace selvage {
namespace {

class HueRotateOp final : public TypedOp<HueRotate> {
  absl::Status Make(const OpContext&, const HueRotate& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const double degrees = std::fmod(p.degrees().value(), 360.0);
    if (degrees == 0) {
      out->planes = picture.planes;
      return absl::OkStatus();
    }
    const double angle = degrees * (3.14159265358979323846 / 180);
    const double share = (1 - Cos(angle)) / 3, turn = Sin(angle) / std::sqrt(3.0);
    // Red's share of green falls with the angle: what red loses, green gains.
    const float toward_next = static_cast<float>(share - turn), toward_last = static_cast<float>(share + turn);
    const Rect rect = out->rect();
    out->planes[3] = picture.planes[3];
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* const from[3] = {picture.planes[0].row(y), picture.planes[1].row(y), picture.planes[2].row(y)};
      float* const to[3] = {out->planes[0].row(y), out->planes[1].row(y), out->planes[2].row(y)};
      RotateRow(toward_next, toward_last, from, to, static_cast<size_t>(rect.width()));
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("hue_rotate", HueRotateOp);

}  // namespace
}  // namespace selvage
