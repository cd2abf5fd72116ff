// Two mattes to one.
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

MatteRule RuleOf(const Combine& p) {
  switch (p.rule()) {
    case Combine::MIN:
      return MatteRule::kMin;
    case Combine::ADD:
      return MatteRule::kAdd;
    case Combine::SUBTRACT:
      return MatteRule::kSubtract;
    case Combine::MULTIPLY:
      return MatteRule::kMultiply;
    case Combine::UNION:
      return MatteRule::kUnion;
    case Combine::MIX:
      return MatteRule::kMix;
    default:
      return MatteRule::kMax;
  }
}

class CombineOp final : public TypedOp<Combine> {
  absl::Status Make(const OpContext&, const Combine& p, const Inputs& in, Picture* out) const override {
    const Plane& a = in.main().picture.planes[0];
    const Plane& b = in.Find("with")->picture.planes[0];
    const float amount = static_cast<float>(p.amount().value());
    if (amount == 0) {
      out->planes[0] = a;
      return absl::OkStatus();
    }
    Plane& result = out->planes[0];
    const MatteRule rule = RuleOf(p);
    const size_t n = result.rect().width();
    const Input* mix = in.Find("mix");
    std::vector<float> combined(n);
    ForRows(result.rect(), [&](int y) {
      if (!mix) return CombineRow(rule, amount, a.row(y), b.row(y), result.row(y), n);
      CombineRow(rule, amount, a.row(y), b.row(y), combined.data(), n);
      MixRow(a.row(y), combined.data(), mix->picture.planes[0].row(y), result.row(y), n);
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("combine", CombineOp);

}  // namespace
}  // namespace selvage::worker
