// Takes away what a matte covers.
#include "worker/chain/op.h"
#include "worker/inputs/apply_mask.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class WithoutOp final : public TypedOp<Without> {
  absl::Status Make(const OpContext&, const Without&, const Inputs& in, Picture* out) const override {
    ApplyMask(in.main().picture, in.Find("mask")->picture.planes[0], MultiplyInverseRow, out);
    return absl::OkStatus();
  }
};
REGISTER_OP("without", WithoutOp);

}  // namespace
}  // namespace selvage::worker
