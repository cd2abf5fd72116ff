// Small holes of a matte closed.
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/geometry/parts.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class FillHolesOp final : public TypedOp<FillHoles> {
  absl::Status Make(const OpContext&, const FillHoles& p, const Inputs& in, Picture* out) const override {
    const Plane& matte = in.main().picture.planes[0];
    const Rect rect = out->rect();
    const size_t n = rect.width();
    const float below = static_cast<float>(p.below().value());
    std::vector<uint8_t> open(rect.area());
    ForRows(rect, [&](int y) {
      const float* from = matte.row(y);
      uint8_t* to = open.data() + static_cast<size_t>(y - rect.y0) * n;
      for (size_t x = 0; x < n; ++x) to[x] = from[x] < below;
    });
    out->planes[0] = ReplaceSmallParts(matte, open, p.area().value(), true, 1, p.sigma().value());
    return absl::OkStatus();
  }
};
REGISTER_OP("fill_holes", FillHolesOp);

}  // namespace
}  // namespace selvage::worker
