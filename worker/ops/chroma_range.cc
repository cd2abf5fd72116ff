// Wedge in the chroma plane. Formulas: proto/ops/key.proto.
#include <cmath>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"
#include "worker/kernels/pixels/math.h"

namespace selvage::worker {
namespace {

constexpr float kWeightR = 0.2126f, kWeightG = 0.7152f, kWeightB = 0.0722f;
// (B - Y) and (R - Y) run from -1/2 to 1/2 with these: 2 (1 - weight).
constexpr float kCbScale = 1.8556f, kCrScale = 1.5748f;
// Added to luminance, so that black has no chroma.
constexpr float kDark = 0.01f;
constexpr float kDegreesPerRadian = 57.29577951308232f;
// Shorter screen chroma than this is grey.
constexpr float kLeastLength = 1e-4f;
// A fall-off of no width is a step.
constexpr float kLeastWidth = 1e-6f;

struct Chroma {
  float b, r;
};

Chroma ChromaOf(float r, float g, float b) {
  const float y = kWeightR * r + kWeightG * g + kWeightB * b;
  const float light = (y > 0.0f ? y : 0.0f) + kDark;
  return {(b - y) / kCbScale / light, (r - y) / kCrScale / light};
}

float LengthOf(Chroma c) { return std::sqrt(c.b * c.b + c.r * c.r); }

// 0..1; NaN gives 0.
float Clamp01(float v) {
  v = v > 0.0f ? v : 0.0f;
  return v < 1.0f ? v : 1.0f;
}

struct Wedge {
  float far_angle, soft_angle;  // degrees
  float inner, span;
};

inline __attribute__((always_inline)) float Matte(Chroma c, Chroma screen, float screen_length, const Wedge& wedge) {
  const float along = c.b * screen.b + c.r * screen.r;
  const float across = c.b * screen.r - c.r * screen.b;
  const float angle = Atan2(across < 0.0f ? -across : across, along) * kDegreesPerRadian;
  const float by_angle = Clamp01((wedge.far_angle - angle) / wedge.soft_angle);
  const float by_length = Clamp01((LengthOf(c) / screen_length - wedge.inner) / wedge.span);
  const float matte = 1.0f - by_angle * by_length;
  return screen_length > kLeastLength ? matte : 1.0f;
}

void KeyColor(const float* r, const float* g, const float* b, int n, Chroma screen, float length, Wedge wedge,
              float* __restrict to) {
  for (int x = 0; x < n; ++x) to[x] = Matte(ChromaOf(r[x], g[x], b[x]), screen, length, wedge);
}

void KeyPlate(const float* r, const float* g, const float* b, const float* sr, const float* sg, const float* sb, int n,
              Wedge wedge, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const Chroma screen = ChromaOf(sr[x], sg[x], sb[x]);
    to[x] = Matte(ChromaOf(r[x], g[x], b[x]), screen, LengthOf(screen), wedge);
  }
}

class ChromaRangeOp final : public TypedOp<ChromaRange> {
 public:
  absl::Status Make(const OpContext&, const ChromaRange& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const ScreenColor screen, ResolveScreen(p.screen(), in));
    if (!(p.inner().value() < p.outer().value())) {
      return absl::InvalidArgumentError(
          absl::StrCat("outer (", p.outer().value(), ") must be more than inner (", p.inner().value(), ")"));
    }
    Wedge wedge;
    wedge.soft_angle = static_cast<float>(p.soft_angle().value());
    wedge.soft_angle = wedge.soft_angle > kLeastWidth ? wedge.soft_angle : kLeastWidth;
    wedge.far_angle = static_cast<float>(p.angle().value()) + wedge.soft_angle;
    wedge.inner = static_cast<float>(p.inner().value());
    wedge.span = static_cast<float>(p.outer().value() - p.inner().value());

    const Picture& picture = in.main().picture;
    const Chroma whole = ChromaOf(screen.rgb[0], screen.rgb[1], screen.rgb[2]);
    const float length = LengthOf(whole);
    if (!screen.plate && !(length > kLeastLength)) return NoHueError(screen);
    const Rect& rect = out->planes[0].rect();
    const std::vector<Plane>& c = picture.planes;
    for (int y = rect.y0; y < rect.y1; ++y) {
      float* to = out->planes[0].row(y);
      if (screen.plate) {
        const std::vector<Plane>& s = screen.plate->planes;
        KeyPlate(c[0].row(y), c[1].row(y), c[2].row(y), s[0].row(y), s[1].row(y), s[2].row(y), rect.width(), wedge, to);
      } else {
        KeyColor(c[0].row(y), c[1].row(y), c[2].row(y), rect.width(), whole, length, wedge, to);
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("chroma_range", ChromaRangeOp);

}  // namespace
}  // namespace selvage::worker
