// Black point, white point and gamma of a matte.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class LevelsOp final : public TypedOp<Levels> {
  absl::Status Make(const OpContext&, const Levels& p, const Inputs& in, Picture* out) const override {
    if (p.white().value() < p.black().value()) return absl::InvalidArgumentError("white is below black");
    const LevelsCurve curve{.black = static_cast<float>(p.black().value()),
                            .white = static_cast<float>(p.white().value()),
                            .exponent = 1 / p.gamma().value(),
                            .invert = p.invert(),
                            .clamp = !p.unclamped()};
    const Plane& matte = in.main().picture.planes[0];
    Plane& result = out->planes[0];
    const size_t n = result.rect().width();
    ForRows(result.rect(), [&](int y) { LevelsRow(curve, matte.row(y), result.row(y), n); });
    return absl::OkStatus();
  }
};
REGISTER_OP("levels", LevelsOp);

}  // namespace
}  // namespace selvage::worker
