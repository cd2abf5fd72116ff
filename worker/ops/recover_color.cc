// Foreground colour under a matte. Contract: proto/ops/color.proto.
#include <algorithm>

#include "proto/status.h"
#include "worker/kernels/unmix_solve.h"
#include "worker/op.h"

namespace selvage {
namespace {

class RecoverColorOp final : public TypedOp<RecoverColor> {
 public:
  Rect Reads(const OpContext&, const RecoverColor&, const Rect& out, const Input&) const override { return out; }

  // The foreground's mean is of cells, and those at the border hold fewer pixels:
  // the last bits of binary32 differ.
  bool PlaceMatters(const google::protobuf::Message&) const override { return true; }

  absl::Status Make(const OpContext& context, const RecoverColor&, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const Input *plate = in.Find("plate"), *matte = in.Find("matte");
    if (!plate || !matte) return absl::InternalError("plate or matte is not connected");
    const Picture& picture = in.main().picture;
    ASSIGN_OR_RETURN(const ScreenView view, ViewScreen(picture, plate->picture, rect, kSureDistance));
    Plane& alpha = out->planes[3];
    for (int y = rect.y0; y < rect.y1; ++y) {
      FiniteRow(matte->picture.planes[0].row(y), 1, 0, rect.width(), alpha.row(y));
      for (float* a = alpha.row(y); a < alpha.row(y) + rect.width(); ++a) *a = std::min(*a, 1.0f);
    }
    const auto foreground = RecoverForeground(view, alpha, context.stopped);
    if (!foreground) return absl::CancelledError("nobody waits for it");
    const float back = 1 / view.gain;
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        const float *from = (*foreground)[c].row(y), *input = picture.planes[c].row(y), *a = alpha.row(y);
        float* to = out->planes[c].row(y);
        for (int x = 0; x < rect.width(); ++x) to[x] = a[x] >= 1.0f ? input[x] : from[x] * back;
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("recover_color", RecoverColorOp);

}  // namespace
}  // namespace selvage
