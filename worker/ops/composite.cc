// Compositing of two premultiplied pictures. Source: Porter & Duff 1984.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

PorterDuff RuleOf(const Composite& p) {
  switch (p.rule()) {
    case Composite::IN:
      return PorterDuff::kIn;
    case Composite::OUT:
      return PorterDuff::kOut;
    case Composite::ATOP:
      return PorterDuff::kAtop;
    case Composite::XOR:
      return PorterDuff::kXor;
    case Composite::PLUS:
      return PorterDuff::kPlus;
    default:
      return PorterDuff::kOver;
  }
}

class CompositeOp final : public TypedOp<Composite> {
  Rect Window(const OpContext&, const Composite&, const Inputs& in) const override {
    return in.main().window.Union(in.Find("with")->window);
  }
  Beyond Edge(const google::protobuf::Message&, const std::string&) const override { return Beyond::kTransparent; }

  absl::Status Make(const OpContext&, const Composite& p, const Inputs& in, Picture* out) const override {
    const Picture& a = in.main().picture;
    const Picture& b = in.Find("with")->picture;
    const PorterDuff rule = RuleOf(p);
    const float amount = static_cast<float>(p.amount().value());
    const size_t n = out->rect().width();
    ForRows(out->rect(), [&](int y) {
      for (int c = 0; c < 4; ++c) {
        PorterDuffRow(rule, amount, a.planes[c].row(y), a.planes[3].row(y), b.planes[c].row(y), b.planes[3].row(y),
                      out->planes[c].row(y), n);
      }
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("composite", CompositeOp);

}  // namespace
}  // namespace selvage::worker
