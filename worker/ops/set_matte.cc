// A matte into alpha.
#include "worker/op.h"

namespace selvage {
namespace {

class SetMatteOp final : public TypedOp<SetMatte> {
  absl::Status Make(const OpContext&, const SetMatte&, const Inputs& in, Picture* out) const override {
    for (int c = 0; c < 3; ++c) out->planes[c] = in.main().picture.planes[c];
    out->planes[3] = in.Find("matte")->picture.planes[0];
    return absl::OkStatus();
  }
};
REGISTER_OP("set_matte", SetMatteOp);

}  // namespace
}  // namespace selvage
