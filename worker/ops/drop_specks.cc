// Small specks of a matte taken away.
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/geometry/parts.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

class DropSpecksOp final : public TypedOp<DropSpecks> {
  absl::Status Make(const OpContext&, const DropSpecks& p, const Inputs& in, Picture* out) const override {
    const Plane& matte = in.main().picture.planes[0];
    const Rect rect = out->rect();
    const size_t n = rect.width();
    const float above = static_cast<float>(p.above().value());
    std::vector<uint8_t> covered(rect.area());
    ForRows(rect, [&](int y) {
      const float* from = matte.row(y);
      uint8_t* to = covered.data() + static_cast<size_t>(y - rect.y0) * n;
      for (size_t x = 0; x < n; ++x) to[x] = from[x] > above;
    });
    out->planes[0] = ReplaceSmallParts(matte, covered, p.area().value(), false, 0, p.sigma().value());
    return absl::OkStatus();
  }
};
REGISTER_OP("drop_specks", DropSpecksOp);

}  // namespace
}  // namespace selvage::worker
