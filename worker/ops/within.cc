// Keeps what a matte covers.
#include "worker/chain/op.h"
#include "worker/inputs/apply_mask.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class WithinOp final : public TypedOp<Within> {
  absl::Status Make(const OpContext&, const Within&, const Inputs& in, Picture* out) const override {
    ApplyMask(in.main().picture, in.Find("mask")->picture.planes[0], MultiplyRow, out);
    return absl::OkStatus();
  }
};
REGISTER_OP("within", WithinOp);

}  // namespace
}  // namespace selvage::worker
