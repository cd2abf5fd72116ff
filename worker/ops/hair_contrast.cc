// Hue turned, channels weighted, tone curve: the same arithmetic as hue_rotate,
// a weighted sum and levels one after another.
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/color_rows.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class HairContrastOp final : public TypedOp<HairContrast> {
  absl::Status Make(const OpContext&, const HairContrast& p, const Inputs& in, Picture* out) const override {
    if (p.white().value() < p.black().value()) return absl::InvalidArgumentError("white is below black");
    const LevelsCurve curve{.black = static_cast<float>(p.black().value()),
                            .white = static_cast<float>(p.white().value()),
                            .exponent = 1 / p.gamma().value(),
                            .invert = p.invert()};
    float weights[3] = {kLuminance[0], kLuminance[1], kLuminance[2]};
    if (p.has_weights()) {
      weights[0] = static_cast<float>(p.weights().r());
      weights[1] = static_cast<float>(p.weights().g());
      weights[2] = static_cast<float>(p.weights().b());
    }
    const HueTurn turn = HueTurn::By(p.rotate().value());
    const Picture& picture = in.main().picture;
    const size_t n = out->rect().width();
    std::vector<float> turned[3];
    for (auto& row : turned) row.resize(n);
    float* const to[3] = {turned[0].data(), turned[1].data(), turned[2].data()};
    ForRows(out->rect(), [&](int y) {
      const float* const from[3] = {picture.planes[0].row(y), picture.planes[1].row(y), picture.planes[2].row(y)};
      if (!turn.none()) RotateRow(turn, from, to, n);
      float* matte = out->planes[0].row(y);
      WeighRow(weights, turn.none() ? from : to, matte, n);
      LevelsRow(curve, matte, matte, n);
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("hair_contrast", HairContrastOp);

}  // namespace
}  // namespace selvage::worker
