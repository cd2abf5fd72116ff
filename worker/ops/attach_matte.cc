// A matte into alpha.
#include "worker/chain/op.h"

namespace selvage::worker {
namespace {

class AttachMatteOp final : public TypedOp<AttachMatte> {
  absl::Status Make(const OpContext&, const AttachMatte&, const Inputs& in, Picture* out) const override {
    for (int c = 0; c < 3; ++c) out->planes[c] = in.main().picture.planes[c];
    out->planes[3] = in.Find("matte")->picture.planes[0];
    return absl::OkStatus();
  }
};
REGISTER_OP("attach_matte", AttachMatteOp);

}  // namespace
}  // namespace selvage::worker
