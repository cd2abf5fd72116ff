// The band of a matte along its edge. Contract: proto/ops/matte.proto.
#include <algorithm>

#include "worker/chain/op.h"
#include "worker/kernels/geometry/choke.h"
#include "worker/kernels/pixels/gaussian.h"

namespace selvage::worker {
namespace {

// Up to one half a matte counts as what lies outside the edge, above as the inside.
void SplitAtHalf(const Plane& matte, Plane* outer, Plane* inner) {
  const Rect& rect = matte.rect();
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* m = matte.row(y);
    float *below = outer->row(y), *above = inner->row(y);
    for (int x = 0; x < rect.width(); ++x) {
      const float twice = 2 * m[x];
      below[x] = std::clamp(twice, 0.0f, 1.0f);
      above[x] = std::clamp(twice - 1, 0.0f, 1.0f);
    }
  }
}

class EdgeOp final : public TypedOp<selvage::Edge> {
 public:
  Rect Reads(const OpContext&, const selvage::Edge& p, const Rect& out, const Input&) const override {
    const int band = std::max(ChokeReach(p.inside().value()), ChokeReach(p.outside().value()));
    return out.Grow(band + GaussianRadius(p.sigma().value()));
  }

  absl::Status Make(const OpContext&, const selvage::Edge& p, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const Plane& matte = in.main().picture.planes[0];
    Plane outer(matte.rect()), inner(matte.rect());
    SplitAtHalf(matte, &outer, &inner);
    const Rect wide = rect.Grow(GaussianRadius(p.sigma().value()));
    Plane band(wide), solid(wide);
    ChokeInto(Choke::DISC, -p.outside().value(), outer, &band);
    ChokeInto(Choke::DISC, p.inside().value(), inner, &solid);
    Plane edge(wide);
    for (int y = wide.y0; y < wide.y1; ++y) {
      const float *most = band.row(y), *least = solid.row(y);
      float* to = edge.row(y);
      for (int x = 0; x < wide.width(); ++x) to[x] = most[x] - least[x];
    }
    if (wide == rect) {
      out->planes[0] = std::move(edge);
    } else {
      GaussianBlur(edge, rect, p.sigma().value(), &out->planes[0]);
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("edge", EdgeOp);

}  // namespace
}  // namespace selvage::worker
