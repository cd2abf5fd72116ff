// Takes away what a matte covers.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class WithoutOp final : public TypedOp<Without> {
  absl::Status Make(const OpContext&, const Without&, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Plane& mask = in.Find("mask")->picture.planes[0];
    const size_t n = out->rect().width();
    const size_t last = out->planes.size() - 1;
    for (size_t c = 0; c <= last; ++c) {
      const Plane& from = picture.planes[c];
      Plane& to = out->planes[c];
      if (c < last && out->kind != PREMULTIPLIED) {
        // Straight colour stays as it is under a smaller matte.
        to = from;
      } else {
        ForRows(out->rect(), [&](int y) { MultiplyInverseRow(from.row(y), mask.row(y), to.row(y), n); });
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("without", WithoutOp);

}  // namespace
}  // namespace selvage::worker
