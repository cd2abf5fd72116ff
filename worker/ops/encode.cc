// Scene-linear light to code values. Curves: worker/kernels/pixels/transfer.h.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

class EncodeOp final : public TypedOp<Encode> {
  absl::Status Make(const OpContext&, const Encode& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Rect& rect = out->rect();
    out->planes[3] = picture.planes[3];
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        EncodeRow(p.encoding(), picture.planes[c].row(y), out->planes[c].row(y), static_cast<size_t>(rect.width()));
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("encode", EncodeOp);

}  // namespace
}  // namespace selvage::worker
