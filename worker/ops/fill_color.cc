// Replaces colour, keeps the matte. Contract: proto/ops/color.proto.
#include <algorithm>
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/pixels/gaussian.h"

namespace selvage::worker {
namespace {

constexpr float kWeights[3] = {0.2126f, 0.7152f, 0.0722f};
// A colour darker than this has no chroma to take.
constexpr float kLeastLight = 1e-6f;
// Less solid core than this around a pixel says nothing of its colour.
constexpr float kLeastCore = 1e-4f;

float LightOf(float r, float g, float b) { return kWeights[0] * r + kWeights[1] * g + kWeights[2] * b; }

// Exact at both ends, also where the other end is not finite.
float Mix(float from, float to, float share) {
  const float mixed = (1.0f - share) * from + share * to;
  return share <= 0.0f ? from : share >= 1.0f ? to : mixed;
}

// Inputs may cover more than the rectangle being made.
const float* From(const Plane& p, int x, int y) { return p.row(y) + (x - p.rect().x0); }

struct FillRows {
  const float* from[3];
  const float* color[3];  // what to fill with
};

// Factor that brings a colour to the luminance of the pixel it replaces, and
// what to add where it has no hue. Apart from FillChannel, so that both vectorise.
void ScaleRow(const FillRows& rows, int n, float* __restrict scale, float* __restrict grey) {
  const float *r = rows.color[0], *g = rows.color[1], *b = rows.color[2];
  const float *fr = rows.from[0], *fg = rows.from[1], *fb = rows.from[2];
  for (int x = 0; x < n; ++x) {
    const float have = LightOf(fr[x], fg[x], fb[x]), y = LightOf(r[x], g[x], b[x]);
    const bool hue = y > kLeastLight;
    const float ratio = have / (hue ? y : 1.0f);
    scale[x] = hue ? ratio : 0.0f;
    grey[x] = hue ? 0.0f : have;
  }
}

void FillChannel(const float* from, const float* color, const float* share, const float* scale, const float* grey,
                 int n, float keep_luminance, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    to[x] = Mix(from[x], Mix(color[x], color[x] * scale[x] + grey[x], keep_luminance), share[x]);
  }
}

// Colour to fill with, and where there is any (1 or 0).
struct Filling {
  Plane color[3];
  Plane known;
};

// Mean colour around each pixel, weighted by the core.
Filling LocalMean(const Picture& picture, const Plane& core, const Rect& out, double sigma) {
  Filling filling;
  const Rect& rect = picture.rect();
  Plane weight(rect), weighted(rect);
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* c = core.row(y);
    float* w = weight.row(y);
    for (int x = 0; x < rect.width(); ++x) {
      const float positive = c[x] > 0.0f ? c[x] : 0.0f;
      w[x] = positive < 1.0f ? positive : 1.0f;
    }
  }
  filling.known = Plane(out);
  Plane total(out);
  GaussianBlur(weight, out, sigma, &total);
  for (int i = 0; i < 3; ++i) {
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* c = picture.planes[i].row(y);
      const float* w = weight.row(y);
      float* to = weighted.row(y);
      // Where nothing counts, not even infinity does.
      for (int x = 0; x < rect.width(); ++x) to[x] = w[x] > 0.0f ? c[x] * w[x] : 0.0f;
    }
    filling.color[i] = Plane(out);
    GaussianBlur(weighted, out, sigma, &filling.color[i]);
    for (int y = out.y0; y < out.y1; ++y) {
      const float* t = total.row(y);
      float* c = filling.color[i].row(y);
      float* known = filling.known.row(y);
      for (int x = 0; x < out.width(); ++x) {
        const bool enough = t[x] >= kLeastCore;
        c[x] = c[x] / (enough ? t[x] : 1.0f);
        known[x] = enough ? 1.0f : 0.0f;
      }
    }
  }
  return filling;
}

Filling OneColor(const float* color, const Rect& row) {
  Filling filling;
  for (int c = 0; c < 3; ++c) filling.color[c] = Plane::Filled(row, color[c]);
  filling.known = Plane::Filled(row, 1.0f);
  return filling;
}

bool IsZero(const Plane& p) {
  const Rect& rect = p.rect();
  if (p.constant) return *p.constant <= 0.0f;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* row = p.row(y);
    int positive = 0;
    for (int x = 0; x < rect.width(); ++x) positive |= row[x] > 0.0f;
    if (positive) return false;
  }
  return true;
}

class FillColorOp final : public TypedOp<FillColor> {
 public:
  Rect Reads(const OpContext&, const FillColor& p, const Rect& out, const Input& input) const override {
    const bool around = p.from_case() == FillColor::kCore && (input.port == "in" || input.port == "core");
    return around ? out.Grow(GaussianRadius(p.sigma().value())) : out;
  }

  absl::Status Make(const OpContext&, const FillColor& p, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    const Picture& picture = in.main().picture;
    if (rect.empty()) return absl::OkStatus();
    for (int c = 0; c < 4; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        std::copy_n(From(picture.planes[c], rect.x0, y), rect.width(), out->planes[c].row(y));
      }
      if (c == 3) out->planes[c].constant = picture.planes[c].constant;
    }

    const Rect one_row{rect.x0, 0, rect.x1, 1};
    Filling filling;
    switch (p.from_case()) {
      case FillColor::kCore: {
        const Input* core = in.Find("core");
        if (!core) return absl::InternalError("core is not connected");
        const Plane& matte = core->picture.planes[0];
        if (IsZero(matte)) return absl::OkStatus();
        filling = LocalMean(picture, matte, rect, p.sigma().value());
        break;
      }
      case FillColor::kSample: {
        const Input* measured = in.Find("sample");
        if (!measured || measured->numbers.size() < 3) return absl::InternalError("sample was not measured");
        filling = OneColor(measured->numbers.data(), one_row);
        break;
      }
      case FillColor::kColor: {
        const float color[3] = {static_cast<float>(p.color().r()), static_cast<float>(p.color().g()),
                                static_cast<float>(p.color().b())};
        filling = OneColor(color, one_row);
        break;
      }
      case FillColor::FROM_NOT_SET:
        return absl::InvalidArgumentError("needs a colour: set `color`, `sample` or `core`");
    }
    Fill(p, picture, filling, in.Find("mask"), out);
    return absl::OkStatus();
  }

 private:
  static void Fill(const FillColor& p, const Picture& picture, const Filling& filling, const Input* mask,
                   Picture* out) {
    const Rect& rect = out->rect();
    const float amount = static_cast<float>(p.amount().value());
    const float keep = static_cast<float>(p.keep_luminance().value());
    const bool per_pixel = p.from_case() == FillColor::kCore;
    std::vector<float> share(rect.width()), scale(rect.width()), grey(rect.width());
    for (int y = rect.y0; y < rect.y1; ++y) {
      const int fy = per_pixel ? y : 0;
      const float* known = filling.known.row(fy);
      for (int x = 0; x < rect.width(); ++x) share[x] = known[x] * amount;
      if (mask) {
        const float* m = From(mask->picture.planes[0], rect.x0, y);
        for (int x = 0; x < rect.width(); ++x) share[x] *= m[x];
      }
      FillRows rows;
      for (int c = 0; c < 3; ++c) {
        rows.from[c] = From(picture.planes[c], rect.x0, y);
        rows.color[c] = filling.color[c].row(fy);
      }
      ScaleRow(rows, rect.width(), scale.data(), grey.data());
      for (int c = 0; c < 3; ++c) {
        FillChannel(rows.from[c], rows.color[c], share.data(), scale.data(), grey.data(), rect.width(), keep,
                    out->planes[c].row(y));
      }
    }
  }
};
REGISTER_OP("fill_color", FillColorOp);

}  // namespace
}  // namespace selvage::worker
