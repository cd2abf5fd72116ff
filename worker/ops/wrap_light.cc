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

// Rows whose blurs are made together.
constexpr int kStrip = 32;

// The part of `strip` outside which no pixel takes light: A is 0, or, where `soft_alpha` is
// given, the blurred A is 1.
Rect LitPart(const Rect& strip, const Plane& alpha, const Plane* soft_alpha) {
  Rect part{strip.x1, strip.y0, strip.x0, strip.y1};
  for (int y = strip.y0; y < strip.y1; ++y) {
    const float* a = alpha.row(y) - alpha.rect().x0;
    const float* soft = soft_alpha ? soft_alpha->row(y) - soft_alpha->rect().x0 : nullptr;
    const auto lit = [&](int x) { return a[x] > 0.0f && !(soft && soft[x] >= 1.0f); };
    int begin = strip.x0, end = strip.x1;
    while (begin < part.x0 && !lit(begin)) ++begin;
    while (end > part.x1 && !lit(end - 1)) --end;
    part.x0 = begin, part.x1 = end;
  }
  return part;
}

// Ones stay exactly ones in a blur.
bool AllOnes(const Plane& alpha, const Rect& rect) {
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* a = alpha.row(y) + (rect.x0 - alpha.rect().x0);
    bool ones = true;
    for (int x = 0; x < rect.width(); ++x) ones &= a[x] == 1.0f;
    if (!ones) return false;
  }
  return true;
}

class WrapLightOp final : public TypedOp<WrapLight> {
 public:
  Rect Reads(const OpContext&, const WrapLight& p, const Rect& out, const Input&) const override {
    return out.Grow(GaussianRadius(p.sigma().value()));
  }

  absl::Status Make(const OpContext&, const WrapLight& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Picture& background = in.Find("background")->picture;
    const Rect rect = out->rect();
    const size_t inset = static_cast<size_t>(rect.x0 - picture.rect().x0);
    for (int c = 0; c < 4; ++c) {
      ForRows(rect, [&](int y) { std::copy_n(picture.planes[c].row(y) + inset, rect.width(), out->planes[c].row(y)); });
    }
    const std::vector<float> weights = GaussianWeights(p.sigma().value());
    const float amount = static_cast<float>(p.amount().value());
    for (int y = rect.y0; y < rect.y1; y += kStrip) {
      Wrap({rect.x0, y, rect.x1, std::min(y + kStrip, rect.y1)}, picture, background, weights, amount, out);
    }
    return absl::OkStatus();
  }

 private:
  // Light falls on an edge, which is a small part of most pictures: only there anything is
  // blurred.
  static void Wrap(const Rect& strip, const Picture& picture, const Picture& background,
                   const std::vector<float>& weights, float amount, Picture* out) {
    const Plane& alpha = picture.planes[3];
    const Rect covered = LitPart(strip, alpha, nullptr);
    if (covered.empty() || AllOnes(alpha, covered.Grow(static_cast<int>(weights.size()) - 1))) return;
    Plane soft_alpha(covered);
    GaussianBlur(alpha, covered, weights, &soft_alpha);
    const Rect lit = LitPart(covered, alpha, &soft_alpha);
    if (lit.empty()) return;
    const int n = lit.width();
    const auto at = [&](const Plane& plane, int y) { return plane.row(y) + (lit.x0 - plane.rect().x0); };
    Plane light(lit);
    for (int c = 0; c < 3; ++c) {
      GaussianBlur(background.planes[c], lit, weights, &light);
      ForRows(lit, [&](int y) {
        LightRow(at(soft_alpha, y), amount, n, light.row(y));
        WrapRow(at(picture.planes[c], y), at(alpha, y), light.row(y), n,
                out->planes[c].row(y) + (lit.x0 - out->rect().x0));
      });
    }
  }
};
REGISTER_OP("wrap_light", WrapLightOp);

}  // namespace
}  // namespace selvage::worker
