// Trapezoid on a mix of channels. Formulas: proto/ops/key.proto.
#include "proto/status.h"
#include "worker/chain/op.h"

namespace selvage::worker {
namespace {

struct Trapezoid {
  float low, low_full, high_full, high;
  // 1 / width of the slopes; 0 for a step.
  float rise, fall;
};

// NaN gives 0.
float Height(float v, const Trapezoid& t) {
  float up = (v - t.low) * t.rise;
  up = up > 0.0f ? up : 0.0f;
  up = up < 1.0f ? up : 1.0f;
  up = v >= t.low_full ? 1.0f : up;
  float down = (t.high - v) * t.fall;
  down = down > 0.0f ? down : 0.0f;
  down = down < 1.0f ? down : 1.0f;
  down = v <= t.high_full ? 1.0f : down;
  return up < down ? up : down;
}

float Slope(float from, float to) { return to > from ? 1.0f / (to - from) : 0.0f; }

class LumaRangeOp final : public TypedOp<LumaRange> {
 public:
  absl::Status Make(const OpContext&, const LumaRange& p, const Inputs& in, Picture* out) const override {
    const double low = p.low().value(), low_full = p.low_full().value();
    const double high_full = p.high_full().value(), high = p.high().value();
    if (!(low <= low_full && low_full <= high_full && high_full <= high)) {
      return absl::InvalidArgumentError(absl::StrCat("low, low_full, high_full, high must ascend, but are ", low, ", ",
                                                     low_full, ", ", high_full, ", ", high));
    }
    Trapezoid t{static_cast<float>(low),
                static_cast<float>(low_full),
                static_cast<float>(high_full),
                static_cast<float>(high),
                0,
                0};
    t.rise = Slope(t.low, t.low_full);
    t.fall = Slope(t.high_full, t.high);
    float wr = 0.2126f, wg = 0.7152f, wb = 0.0722f;
    if (p.weights().has_r() || p.weights().has_g() || p.weights().has_b()) {
      wr = static_cast<float>(p.weights().r());
      wg = static_cast<float>(p.weights().g());
      wb = static_cast<float>(p.weights().b());
    }
    const bool invert = p.invert();

    const Picture& picture = in.main().picture;
    const Rect& rect = out->planes[0].rect();
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* r = picture.planes[0].row(y);
      const float* g = picture.planes[1].row(y);
      const float* b = picture.planes[2].row(y);
      float* to = out->planes[0].row(y);
      for (int x = 0; x < rect.width(); ++x) {
        const float height = Height(wr * r[x] + wg * g[x] + wb * b[x], t);
        to[x] = invert ? 1.0f - height : height;
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("luma_range", LumaRangeOp);

}  // namespace
}  // namespace selvage::worker
