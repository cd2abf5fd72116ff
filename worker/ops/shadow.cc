// What the foreground takes of the screen's light. Formula: proto/ops/composite.proto.
#include <limits>
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/color_rows.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/math.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// Less screen light than this around a pixel says nothing of a shadow.
constexpr float kLeastLight = 1e-6f;
constexpr float kMost = std::numeric_limits<float>::max();

// Covered by this share, a pixel counts no more: a bright foreground's light in
// it would outweigh the screen's.
constexpr float kCovered = 0.05f;

// Both luminances times how bare a pixel is; none where either of them is not
// finite. `matte` may be null.
void WeighByBare(const float* matte, int n, float* __restrict plate, float* __restrict screen) {
  for (int x = 0; x < n; ++x) {
    float bare = 1.0f - (matte ? matte[x] : 0.0f) * (1.0f / kCovered);
    bare = bare > 0.0f ? bare : 0.0f;
    bare = bare < 1.0f ? bare : 1.0f;
    const float p = plate[x], s = screen[x];
    const bool known = p <= kMost && p >= -kMost && s <= kMost && s >= -kMost && bare > 0.0f;
    plate[x] = known ? p * bare : 0.0f;
    screen[x] = known ? s * bare : 0.0f;
  }
}

// Ratio within 0..1; 1 where nothing is known.
void RatioRow(const float* screen, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const bool known = screen[x] > kLeastLight;
    const float ratio = to[x] / (known ? screen[x] : 1.0f);
    float light = known ? ratio : 1.0f;
    light = light < 1.0f ? light : 1.0f;
    to[x] = light > 0.0f ? light : 0.0f;
  }
}

void PowerRow(double exponent, int n, float* row) {
  for (int x = 0; x < n; ++x) row[x] = static_cast<float>(Pow(static_cast<double>(row[x]), exponent));
}

// Light of every pixel of `rect`.
Plane Luminance(const Picture& picture, const Rect& rect) {
  Plane light(rect);
  ForRows(rect, [&](int y) {
    const float* const from[3] = {picture.planes[0].row(y), picture.planes[1].row(y), picture.planes[2].row(y)};
    WeighRow(kLuminance, from, light.row(y), rect.width());
  });
  return light;
}

class ShadowOp final : public TypedOp<Shadow> {
 public:
  Rect Reads(const OpContext&, const Shadow& p, const Rect& out, const Input&) const override {
    return out.Grow(GaussianRadius(p.sigma().value()));
  }

  absl::Status Make(const OpContext&, const Shadow& p, const Inputs& in, Picture* out) const override {
    const Rect rect = out->rect(), wide = in.main().picture.rect();
    const Input* matte = in.Find("matte");
    const double sigma = p.sigma().value(), strength = p.strength().value();
    Plane plate = Luminance(in.main().picture, wide), screen = Luminance(in.Find("clean_plate")->picture, wide);
    ForRows(wide, [&](int y) {
      WeighByBare(matte ? matte->picture.planes[0].row(y) : nullptr, wide.width(), plate.row(y), screen.row(y));
    });
    // Each is blurred before they are divided: noise then does not pull the
    // ratio, and an even shadow on an uneven screen stays even.
    Plane soft_screen(rect);
    GaussianBlur(plate, rect, sigma, &out->planes[0]);
    GaussianBlur(screen, rect, sigma, &soft_screen);
    const std::vector<float> none(rect.width(), 1.0f);
    ForRows(rect, [&](int y) {
      float* to = out->planes[0].row(y);
      RatioRow(soft_screen.row(y), rect.width(), to);
      if (strength != 1) PowerRow(strength, rect.width(), to);
      if (!matte) return;
      const float* covered = matte->picture.planes[0].row(y) + (rect.x0 - wide.x0);
      MixRow(to, none.data(), covered, to, rect.width());
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("shadow", ShadowOp);

}  // namespace
}  // namespace selvage::worker
