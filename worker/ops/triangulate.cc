// The same thing before two screens. Source: Smith & Blinn 1996, triangulation.
#include <vector>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// Squared distance of two screens (1e-4 in one channel) below which they are
// the same: nothing shows through, or nobody could tell.
constexpr float kLeastDistance = 1e-8f;

// Rows of R, G, B.
struct ColorRow {
  const float *r, *g, *b;
};

// 1 - (C - D).(S - T) / |S - T|^2, held within 0..1.
void MatteRow(const ColorRow& c, const ColorRow& d, const ColorRow& s, const ColorRow& t, int n,
              float* __restrict alpha) {
  for (int x = 0; x < n; ++x) {
    const float kr = s.r[x] - t.r[x], kg = s.g[x] - t.g[x], kb = s.b[x] - t.b[x];
    const float seen = (c.r[x] - d.r[x]) * kr + (c.g[x] - d.g[x]) * kg + (c.b[x] - d.b[x]) * kb;
    const float whole = kr * kr + kg * kg + kb * kb;
    const bool apart = whole > kLeastDistance;
    const float through = seen / (apart ? whole : 1.0f);
    float a = 1.0f - (apart ? through : 0.0f);
    a = a < 1.0f ? a : 1.0f;
    alpha[x] = a > 0.0f ? a : 0.0f;
  }
}

// What remains of both pictures without their screens, on average: the colour of
// least squares.
void RestRow(const float* c, const float* d, const float* s, const float* t, const float* alpha, int n,
             float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const float through = 1.0f - alpha[x];
    to[x] = 0.5f * ((c[x] - through * s[x]) + (d[x] - through * t[x]));
  }
}

// Rows of a screen: those of its plate, or its one colour.
class ScreenRows {
 public:
  ScreenRows(const ScreenColor& screen, int width) : screen_(screen) {
    for (int c = 0; c < 3 && !screen.plate; ++c) constant_[c].assign(width, screen.rgb[c]);
  }
  const float* Row(int channel, int y) const {
    return screen_.plate ? screen_.plate->planes[channel].row(y) : constant_[channel].data();
  }

 private:
  const ScreenColor& screen_;
  std::vector<float> constant_[3];
};

bool SameColor(const ScreenColor& a, const ScreenColor& b) {
  if (a.plate || b.plate) return false;
  const float d[3] = {a.rgb[0] - b.rgb[0], a.rgb[1] - b.rgb[1], a.rgb[2] - b.rgb[2]};
  return !(d[0] * d[0] + d[1] * d[1] + d[2] * d[2] > kLeastDistance);
}

class TriangulateOp final : public TypedOp<Triangulate> {
  absl::Status Make(const OpContext&, const Triangulate& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const ScreenColor screen, ResolveScreen(p.screen(), in));
    ASSIGN_OR_RETURN(const ScreenColor other, ResolveScreen(p.with_screen(), in, "with_screen"));
    if (SameColor(screen, other)) {
      return absl::InvalidArgumentError(absl::StrCat("screen and with_screen are the same colour (", screen.rgb[0],
                                                     ", ", screen.rgb[1], ", ", screen.rgb[2],
                                                     "): two different screens are needed"));
    }
    const auto& c = in.main().picture.planes;
    const auto& d = in.Find("with")->picture.planes;
    const int n = out->rect().width();
    const ScreenRows s(screen, n), t(other, n);
    ForRows(out->rect(), [&](int y) {
      float* alpha = out->planes[3].row(y);
      MatteRow({c[0].row(y), c[1].row(y), c[2].row(y)}, {d[0].row(y), d[1].row(y), d[2].row(y)},
               {s.Row(0, y), s.Row(1, y), s.Row(2, y)}, {t.Row(0, y), t.Row(1, y), t.Row(2, y)}, n, alpha);
      for (int i = 0; i < 3; ++i) {
        RestRow(c[i].row(y), d[i].row(y), s.Row(i, y), t.Row(i, y), alpha, n, out->planes[i].row(y));
      }
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("triangulate", TriangulateOp);

}  // namespace
}  // namespace selvage::worker
