// More or less colour at the same luminance.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/color_rows.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class SaturationOp final : public TypedOp<Saturation> {
  absl::Status Make(const OpContext&, const Saturation& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const float amount = static_cast<float>(p.amount().value());
    if (amount == 1) {
      out->planes = picture.planes;
      return absl::OkStatus();
    }
    const Input* mask = in.Find("mask");
    const size_t n = out->rect().width();
    out->planes[3] = picture.planes[3];
    ForRows(out->rect(), [&](int y) {
      const float* const from[3] = {picture.planes[0].row(y), picture.planes[1].row(y), picture.planes[2].row(y)};
      float* const to[3] = {out->planes[0].row(y), out->planes[1].row(y), out->planes[2].row(y)};
      SaturateRow(amount, from, to, n);
      if (!mask) return;
      for (int c = 0; c < 3; ++c) MixRow(from[c], to[c], mask->picture.planes[0].row(y), to[c], n);
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("saturation", SaturationOp);

}  // namespace
}  // namespace selvage::worker
