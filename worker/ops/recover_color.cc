// Foreground colour under a matte. Contract: proto/ops/color.proto.
#include "worker/chain/op.h"
#include "worker/kernels/unmix/recover.h"
#include "worker/kernels/unmix/screen_rows.h"

namespace selvage::worker {
namespace {

class RecoverColorOp final : public TypedOp<RecoverColor> {
 public:
  Rect Reads(const OpContext&, const RecoverColor&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext& context, const RecoverColor&, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const Input *plate = in.Find("clean_plate"), *matte = in.Find("matte");
    if (!plate || !matte) return absl::InternalError("plate or matte is not connected");
    Plane& alpha = out->planes[3];
    for (int y = rect.y0; y < rect.y1; ++y) {
      FiniteRow(matte->picture.planes[0].row(y), 1, 0, rect.width(), alpha.row(y));
      AtMostRow(1, rect.width(), alpha.row(y));
    }
    if (!RecoverForeground(in.main().picture, plate->picture, alpha, context.stopped, &out->planes)) {
      return absl::CancelledError("cancelled: no job needs this");
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("recover_color", RecoverColorOp);

}  // namespace
}  // namespace selvage::worker
