// Code values to scene-linear light. Curves: worker/kernels/pixels/transfer.h.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

class DecodeOp final : public TypedOp<Decode> {
  absl::Status Make(const OpContext&, const Decode& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Rect& rect = out->rect();
    out->planes[3] = picture.planes[3];
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        DecodeRow(p.encoding(), picture.planes[c].row(y), out->planes[c].row(y), static_cast<size_t>(rect.width()));
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("decode", DecodeOp);

}  // namespace
}  // namespace selvage::worker
