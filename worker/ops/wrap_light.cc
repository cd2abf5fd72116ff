// Light of the background inside the foreground's edge. Formula: proto/ops/composite.proto.
#include <algorithm>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// From the blurred background and the blurred alpha to the light w that falls on
// the edge; what is no number, or below 0, is no light.
void LightRow(const float* soft_alpha, float amount, int n, float* __restrict light) {
  for (int x = 0; x < n; ++x) {
    const float open = 1.0f - soft_alpha[x];
    const float w = light[x] * (open > 0.0f ? open : 0.0f) * amount;
    light[x] = w > 0.0f ? w : 0.0f;
  }
}

// Up to 1 it fills what the colour leaves free of A, beyond it is added; where
// there is no light the bits stay.
void WrapRow(const float* color, const float* alpha, const float* light, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    float a = alpha[x] > 0.0f ? alpha[x] : 0.0f;
    a = a < 1.0f ? a : 1.0f;
    float room = a - color[x];
    room = room > 0.0f ? room : 0.0f;
    room = room < a ? room : a;
    const float w = light[x], screened = w < 1.0f ? w : 1.0f;
    const float lit = color[x] + screened * room + (w - screened) * a;
    to[x] = w > 0.0f && a > 0.0f ? lit : color[x];
  }
}

class WrapLightOp final : public TypedOp<WrapLight> {
 public:
  Rect Reads(const OpContext&, const WrapLight& p, const Rect& out, const Input&) const override {
    return out.Grow(GaussianRadius(p.sigma().value()));
  }

  absl::Status Make(const OpContext&, const WrapLight& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Picture& background = in.Find("background")->picture;
    const Rect rect = out->rect(), wide = picture.rect();
    const int n = rect.width(), inset = rect.x0 - wide.x0;
    const double sigma = p.sigma().value();
    const float amount = static_cast<float>(p.amount().value());
    Plane soft_alpha(rect), light(rect);
    GaussianBlur(picture.planes[3], rect, sigma, &soft_alpha);
    for (int c = 0; c < 3; ++c) {
      GaussianBlur(background.planes[c], rect, sigma, &light);
      ForRows(rect, [&](int y) {
        LightRow(soft_alpha.row(y), amount, n, light.row(y));
        WrapRow(picture.planes[c].row(y) + inset, picture.planes[3].row(y) + inset, light.row(y), n,
                out->planes[c].row(y));
      });
    }
    ForRows(rect, [&](int y) { std::copy_n(picture.planes[3].row(y) + inset, n, out->planes[3].row(y)); });
    return absl::OkStatus();
  }
};
REGISTER_OP("wrap_light", WrapLightOp);

}  // namespace
}  // namespace selvage::worker
