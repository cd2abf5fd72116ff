// Gaussian blur of every channel.
#include "worker/chain/op.h"
#include "worker/kernels/pixels/gaussian.h"

namespace selvage::worker {
namespace {

class SoftenOp final : public TypedOp<Soften> {
  Rect Reads(const OpContext&, const Soften& p, const Rect& out, const Input&) const override {
    return out.Grow(GaussianRadius(p.sigma().value()));
  }

  absl::Status Make(const OpContext&, const Soften& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const double sigma = p.sigma().value();
    for (size_t c = 0; c < out->planes.size(); ++c) {
      if (GaussianRadius(sigma) == 0) {
        out->planes[c] = picture.planes[c];
      } else {
        GaussianBlur(picture.planes[c], out->rect(), sigma, &out->planes[c]);
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("soften", SoftenOp);

}  // namespace
}  // namespace selvage::worker
