// A rectangle kept, its edges to the fraction of a pixel.
#include <algorithm>
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// Share of the pixel from x to x + 1 that lies between the two edges.
float Share(int x, double from, double to) {
  return static_cast<float>(std::max(0.0, std::min(to, x + 1.0) - std::max(from, double(x))));
}

// Outside exactly 0, also of what is not finite; inside the bits stay.
void KeepRow(const float* in, const float* across, float down, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const float share = across[x] * down;
    const float kept = share >= 1.0f ? in[x] : in[x] * share;
    to[x] = share > 0.0f ? kept : 0.0f;
  }
}

class CropOp final : public TypedOp<Crop> {
 public:
  bool PlaceMatters(const google::protobuf::Message&) const override { return true; }

  absl::Status Make(const OpContext&, const Crop& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Rect rect = out->rect();
    const int n = rect.width();
    std::vector<float> across(n);
    for (int x = 0; x < n; ++x) across[x] = Share(rect.x0 + x, p.left().value(), p.right().value());
    bool inside = std::all_of(across.begin(), across.end(), [](float share) { return share >= 1; });
    bool outside = std::all_of(across.begin(), across.end(), [](float share) { return share <= 0; });
    bool any_row = false;
    ForRows(rect, [&](int y) {
      const float down = Share(y, p.top().value(), p.bottom().value());
      inside = inside && down >= 1;
      any_row = any_row || down > 0;
    });
    outside = outside || !any_row;
    for (size_t c = 0; c < out->planes.size(); ++c) {
      // Straight colour stays as it is under a smaller matte.
      const bool kept = out->kind == STRAIGHT && c < 3;
      if (kept || inside) {
        out->planes[c] = picture.planes[c];
      } else if (outside) {
        out->planes[c] = Plane::Filled(rect, 0);
      } else {
        ForRows(rect, [&](int y) {
          KeepRow(picture.planes[c].row(y), across.data(), Share(y, p.top().value(), p.bottom().value()), n,
                  out->planes[c].row(y));
        });
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("crop", CropOp);

}  // namespace
}  // namespace selvage::worker
