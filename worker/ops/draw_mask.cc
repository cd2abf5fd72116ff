// Draws the shapes of a followed mask.
#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/mask.h"

namespace selvage::worker {
namespace {

const Outline* Carried(const Inputs& in, int shape, const char* port) {
  const Input* input = in.Find(absl::StrCat("shape[", shape, "].", port));
  return input == nullptr ? nullptr : &input->measured->outline();
}

// Point by point, `before` at u = 0, `after` at u = 1.
absl::Status Mix(const Outline& before, const Outline& after, double u, ResolvedMask::Shape* out) {
  const auto differ = [] { return absl::InternalError("what was carried from two key frames has different paths"); };
  if (before.path_size() != after.path_size()) return differ();
  for (int p = 0; p < before.path_size(); ++p) {
    const auto &a = before.path(p).xy(), &b = after.path(p).xy();
    if (a.size() != b.size()) return differ();
    auto* xy = out->add_path()->mutable_xy();
    for (int i = 0; i < a.size(); ++i) xy->Add((1 - u) * a[i] + u * b[i]);
  }
  return absl::OkStatus();
}

class DrawMaskOp final : public TypedOp<DrawMask> {
  absl::Status Make(const OpContext&, const DrawMask& params, const Inputs& in, Picture* out) const override {
    ResolvedMask mask;
    mask.set_invert(params.invert());
    for (int i = 0; i < params.shape_size(); ++i) {
      const DrawMask::Shape& shape = params.shape(i);
      ResolvedMask::Shape* to = mask.add_shape();
      to->set_feather(shape.feather());
      to->set_opacity(shape.opacity());
      to->set_subtract(shape.subtract());
      to->set_rule(shape.even_odd() ? Mask::EVENODD : Mask::NONZERO);
      const Outline *before = Carried(in, i, "before"), *after = Carried(in, i, "after");
      const Outline& one = before != nullptr ? *before : after != nullptr ? *after : shape.drawn();
      RETURN_IF_ERROR(Mix(one, after != nullptr ? *after : one, before != nullptr ? shape.mix() : 0, to));
    }
    return RenderMask(mask, &out->planes[0]);
  }
};
REGISTER_OP("draw_mask", DrawMaskOp);

}  // namespace
}  // namespace selvage::worker
