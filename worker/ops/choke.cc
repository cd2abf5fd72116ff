// Moves the edge of a matte. Contract: proto/ops/matte.proto.
#include "worker/chain/op.h"
#include "worker/kernels/geometry/choke.h"

namespace selvage::worker {
namespace {

class ChokeOp final : public TypedOp<Choke> {
 public:
  Rect Reads(const OpContext&, const Choke& p, const Rect& out, const Input&) const override {
    return out.Grow(ChokeReach(p.pixels().value()));
  }

  absl::Status Make(const OpContext&, const Choke& p, const Inputs& in, Picture* out) const override {
    ChokeInto(p.shape(), p.pixels().value(), in.main().picture.planes[0], &out->planes[0]);
    return absl::OkStatus();
  }
};
REGISTER_OP("choke", ChokeOp);

}  // namespace
}  // namespace selvage::worker
