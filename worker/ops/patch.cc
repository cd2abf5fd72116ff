// Another pass inside a mask with a soft seam.
#include "proto/catalogue.h"
#include "worker/chain/op.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class PatchOp final : public TypedOp<Patch> {
  Rect Reads(const OpContext&, const Patch& p, const Rect& out, const Input& input) const override {
    return input.port == "mask" ? out.Grow(GaussianRadius(p.sigma().value())) : out;
  }

  absl::Status Make(const OpContext&, const Patch& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Input& with = *in.Find("with");
    if (with.picture.planes.size() != picture.planes.size()) {
      return absl::InvalidArgumentError("a patch must be of the same kind: the step before is " +
                                        KindName(picture.kind) + ", the patch is " + KindName(with.kind));
    }
    const Rect rect = out->rect();
    Plane mask = in.Find("mask")->picture.planes[0];
    if (GaussianRadius(p.sigma().value()) > 0) {
      Plane soft(rect);
      GaussianBlur(mask, rect, p.sigma().value(), &soft);
      mask = soft;
    }
    for (size_t c = 0; c < out->planes.size(); ++c) {
      const Plane& a = picture.planes[c];
      const Plane& b = with.picture.planes[c];
      Plane& to = out->planes[c];
      // What MixRow would give, without touching a sample.
      if (mask.constant && *mask.constant <= 0) {
        to = a;
      } else if (mask.constant && *mask.constant >= 1) {
        to = b;
      } else {
        ForRows(rect, [&](int y) { MixRow(a.row(y), b.row(y), mask.row(y), to.row(y), rect.width()); });
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("patch", PatchOp);

}  // namespace
}  // namespace selvage::worker
