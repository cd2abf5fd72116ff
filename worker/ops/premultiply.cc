// Straight colour to premultiplied.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class PremultiplyOp final : public TypedOp<Premultiply> {
  absl::Status Make(const OpContext&, const Premultiply& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Plane& alpha = picture.planes[3];
    const size_t n = out->rect().width();
    for (int c = 0; c < 3; ++c) {
      const Plane& from = picture.planes[c];
      Plane& to = out->planes[c];
      if (alpha.constant == 1.0f) {
        to = from;
      } else {
        ForRows(out->rect(), [&](int y) { PremultiplyRow(p.keep_light(), from.row(y), alpha.row(y), to.row(y), n); });
      }
    }
    out->planes[3] = alpha;
    return absl::OkStatus();
  }
};
REGISTER_OP("premultiply", PremultiplyOp);

}  // namespace
}  // namespace selvage::worker
