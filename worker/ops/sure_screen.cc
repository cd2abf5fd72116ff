// Bare screen for sure. Contract: proto/ops/key.proto.
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {
namespace {

class SureScreenOp final : public TypedOp<SureScreen> {
 public:
  Rect Reads(const OpContext&, const SureScreen&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext&, const SureScreen& p, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const Input* plate = in.Find("clean_plate");
    if (!plate) return absl::InternalError("plate is not connected");
    ASSIGN_OR_RETURN(const ScreenView view,
                     ViewScreen(in.main().picture, plate->picture, rect, static_cast<float>(p.distance().value())));
    FromBitmap(view.sure, &out->planes[0]);
    return absl::OkStatus();
  }
};
REGISTER_OP("sure_screen", SureScreenOp);

}  // namespace
}  // namespace selvage::worker
