// Solid foreground for sure. Contract: proto/ops/key.proto.
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/unmix/solid_core.h"

namespace selvage::worker {
namespace {

class SureCoreOp final : public TypedOp<SureCore> {
 public:
  Rect Reads(const OpContext&, const SureCore&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext& context, const SureCore& p, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const Input* plate = in.Find("clean_plate");
    if (!plate) return absl::InternalError("plate is not connected");
    ASSIGN_OR_RETURN(const ScreenView view, ViewScreen(in.main().picture, plate->picture, rect, kSureDistance));
    const AxisKeys keys = KeyAlongAxis(view);
    const CoreRules rules{static_cast<float>(p.solid().value()), !p.has_fill() || p.fill()};
    const auto core = FindCore(keys, CoreGrid(rect), view.sure, rules, context.stopped);
    if (!core) return absl::CancelledError("cancelled: no job needs this");
    FromBitmap(*core, &out->planes[0]);
    return absl::OkStatus();
  }
};
REGISTER_OP("sure_core", SureCoreOp);

}  // namespace
}  // namespace selvage::worker
