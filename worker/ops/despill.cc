// Takes the screen's light out of a colour. Formulas: proto/ops/color.proto.
#include <algorithm>
#include <cmath>
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"

namespace selvage::worker {
namespace {

constexpr float kWeights[3] = {0.2126f, 0.7152f, 0.0722f};
// A restoring colour darker than this has no hue: light comes back neutral. A screen with
// less colour than this has none either, and counts as its largest channel alone.
constexpr float kLeastLight = 1e-6f, kLeastColor = 1e-12f;
// Most of its light that a foreground's own colour may have in the screen's hue.
constexpr float kMostOwn = 0.9f;

// Three channels in order round the hue circle, from the one that the screen has most of.
struct Turned {
  float s, a, b;
};

// Blue unless red is larger; green where it is no smaller than that.
struct Order {
  bool green, red;
  Order(float r, float g, float b) : green(g >= (r > b ? r : b)), red(!green && r > b) {}
  Turned Of(float r, float g, float b) const {
    return {green ? g : red ? r : b, green ? b : red ? g : r, green ? r : red ? b : g};
  }
};

// The screen's hue: the pure colour of that hue, and the turn about grey that brings it
// onto the nearest primary. A primary is turned by nothing, to the bit.
class Hue {
 public:
  Hue(float r, float g, float b) : order_(r, g, b) {
    const Turned screen = order_.Of(r, g, b);
    const float low = screen.a < screen.b ? screen.a : screen.b;
    const float s = screen.s - low, o1 = screen.a - low, o2 = screen.b - low;
    const float mid = o1 > o2 ? o1 : o2, length = std::sqrt(s * s - s * mid + mid * mid);
    const bool has = length > kLeastColor;
    const float by = has ? length : 1.0f;
    pure_ = {has ? s / by : 1.0f, has ? o1 / by : 0.0f, has ? o2 / by : 0.0f};
    const float third = has ? (1.0f - (screen.s - (screen.a + screen.b) * 0.5f) / by) / 3.0f : 0.0f;
    const float side = has ? (screen.a - screen.b) * 0.5f / by : 0.0f;
    next_ = third + side;
    last_ = third - side;
  }

  // Greys stay as they are, to the bit.
  Turned Turn(float r, float g, float b) const {
    const Turned c = order_.Of(r, g, b);
    return {c.s + (next_ * (c.a - c.s) + last_ * (c.b - c.s)), c.a + (next_ * (c.b - c.a) + last_ * (c.s - c.a)),
            c.b + (next_ * (c.s - c.b) + last_ * (c.a - c.b))};
  }
  float red() const { return order_.green ? pure_.b : order_.red ? pure_.s : pure_.a; }
  float green() const { return order_.green ? pure_.s : order_.red ? pure_.a : pure_.b; }
  float blue() const { return order_.green ? pure_.a : order_.red ? pure_.b : pure_.s; }
  float mean() const { return (pure_.s + pure_.a + pure_.b) / 3.0f; }

 private:
  Order order_;
  Turned pure_;
  float next_, last_;
};

// Weight of the larger of the two other channels.
float LargerWeightOf(const Despill& p) {
  switch (p.limit()) {
    case Despill::LARGER:
      return 1.0f;
    case Despill::SMALLER:
      return 0.0f;
    case Despill::WEIGHTED:
      return static_cast<float>(p.larger_weight().value());
    default:
      return 0.5f;
  }
}

// Written so that the ends are exact and two equal channels give themselves.
float LimitOf(float o1, float o2, float larger_weight) {
  const float larger = o1 > o2 ? o1 : o2, smaller = o1 < o2 ? o1 : o2;
  const float mixed = smaller + larger_weight * (larger - smaller);
  return larger_weight == 1.0f ? larger : mixed;
}

struct Rules {
  float larger_weight, allow, amount;
};

// What a colour has of the pure hue beyond the limit; may be negative.
float Beyond(const Hue& hue, const Rules& rules, float r, float g, float b) {
  const Turned c = hue.Turn(r, g, b);
  return c.s - LimitOf(c.a, c.b, rules.larger_weight) * rules.allow;
}

// The same as a share of the colour's light, for a foreground's own colour.
float OwnShare(const Hue& hue, const Rules& rules, float r, float g, float b) {
  const float mean = (r + g + b) / 3.0f, most = kMostOwn / hue.mean();
  const bool lit = mean > kLeastLight;
  const float share = Beyond(hue, rules, r, g, b) / (lit ? mean : 1.0f);
  const float some = lit && share > 0.0f ? share : 0.0f;
  return some < most ? some : most;
}

float TakenOf(float value, float spill, float least) {
  const float room = value - least;
  return spill < room ? spill : room > 0.0f ? room : 0.0f;
}

// What leaves R, G and B of one pixel: never more than is there.
void SpillOf(const Hue& hue, const Rules& rules, float own, float r, float g, float b, float* tr, float* tg,
             float* tb) {
  // What is left has the light C - spill, and `own` of that is the foreground's own.
  const float over = (Beyond(hue, rules, r, g, b) - own * ((r + g + b) / 3.0f)) / (1.0f - own * hue.mean());
  const float spill = (over > 0.0f ? over : 0.0f) * rules.amount;
  const float darker = r < g ? r : g, darkest = darker < b ? darker : b;
  const float least = (darkest < 0.0f ? darkest : 0.0f) * (rules.allow > 1.0f ? rules.allow : 1.0f);
  *tr = TakenOf(r, spill * hue.red(), least);
  *tg = TakenOf(g, spill * hue.green(), least);
  *tb = TakenOf(b, spill * hue.blue(), least);
}

using ColorRow = const float* const*;

// `own_color` may be null.
void SpillRow(const Hue& hue, const Rules& rules, ColorRow c, ColorRow own_color, int n, float* __restrict tr,
              float* __restrict tg, float* __restrict tb) {
  if (!own_color) {
    for (int x = 0; x < n; ++x) SpillOf(hue, rules, 0.0f, c[0][x], c[1][x], c[2][x], tr + x, tg + x, tb + x);
    return;
  }
  for (int x = 0; x < n; ++x) {
    const float own = OwnShare(hue, rules, own_color[0][x], own_color[1][x], own_color[2][x]);
    SpillOf(hue, rules, own, c[0][x], c[1][x], c[2][x], tr + x, tg + x, tb + x);
  }
}

// Against a screen given pixel by pixel.
void PlateSpillRow(ColorRow screen, const Rules& rules, ColorRow c, ColorRow own_color, int n, float* __restrict tr,
                   float* __restrict tg, float* __restrict tb) {
  for (int x = 0; x < n; ++x) {
    const Hue hue(screen[0][x], screen[1][x], screen[2][x]);
    const float own = own_color ? OwnShare(hue, rules, own_color[0][x], own_color[1][x], own_color[2][x]) : 0.0f;
    SpillOf(hue, rules, own, c[0][x], c[1][x], c[2][x], tr + x, tg + x, tb + x);
  }
}

// Light that goes back, in the hue of h (neutral where that is black).
void RestoreRow(const float* light, const float* hr, const float* hg, const float* hb, int n, float share,
                float* __restrict tr, float* __restrict tg, float* __restrict tb) {
  for (int x = 0; x < n; ++x) {
    const float y = kWeights[0] * hr[x] + kWeights[1] * hg[x] + kWeights[2] * hb[x];
    const bool hue = y > kLeastLight;
    const float back = light[x] * share;
    const float ratio = back / (hue ? y : 1.0f);
    const float scale = hue ? ratio : 0.0f, grey = hue ? 0.0f : back;
    tr[x] += hr[x] * scale + grey;
    tg[x] += hg[x] * scale + grey;
    tb[x] += hb[x] * scale + grey;
  }
}

void ProtectRow(const float* protect, int n, float* __restrict spill) {
  for (int x = 0; x < n; ++x) {
    float open = 1.0f - protect[x];
    open = open > 0.0f ? open : 0.0f;
    spill[x] *= open < 1.0f ? open : 1.0f;
  }
}

// One despill at one frame, row by row.
class Despiller {
 public:
  // REQUIRES: the pass whose hue p restores. All must outlive this.
  Despiller(const Despill& p, const ScreenColor& screen, const Inputs& in, Picture* out)
      : p_(p),
        screen_(screen),
        in_(in.main().picture.planes),
        background_(in.Find("background")),
        own_color_(in.Find("own_color")),
        protect_(in.Find("protect")),
        rules_{LargerWeightOf(p), static_cast<float>(p.allow().value()), static_cast<float>(p.amount().value())},
        out_(out->planes),
        width_(out->rect().width()),
        light_(width_) {
    const float chosen[3] = {static_cast<float>(p.restore_color().r()), static_cast<float>(p.restore_color().g()),
                             static_cast<float>(p.restore_color().b())};
    for (int c = 0; c < 3; ++c) {
      spill_[c].assign(width_, 0.0f);
      hue_[c].assign(width_, p.restore() == Despill::COLOR ? chosen[c] : 1.0f);
    }
  }

  void Row(int y) {
    Measure(y);
    for (int c = 0; c < 3; ++c) {
      const float *from = in_[c].row(y), *spill = spill_[c].data();
      float* to = out_[c].row(y);
      for (int x = 0; x < width_; ++x) to[x] = from[x] - spill[x];
    }
    if (p_.restore() != Despill::NOTHING) Restore(y);
    if (!p_.amount_to_alpha()) return;
    float* alpha = out_[3].row(y);
    for (int x = 0; x < width_; ++x) alpha[x] = spill_[0][x] + spill_[1][x] + spill_[2][x];
  }

 private:
  // What leaves each channel.
  void Measure(int y) {
    const float *c[3], *own[3], *s[3];
    for (int k = 0; k < 3; ++k) {
      c[k] = in_[k].row(y);
      if (own_color_) own[k] = own_color_->picture.planes[k].row(y);
      if (screen_.plate) s[k] = screen_.plate->planes[k].row(y);
    }
    const ColorRow own_color = own_color_ ? own : nullptr;
    float *tr = spill_[0].data(), *tg = spill_[1].data(), *tb = spill_[2].data();
    if (screen_.plate) {
      PlateSpillRow(s, rules_, c, own_color, width_, tr, tg, tb);
    } else {
      SpillRow(Hue(screen_.rgb[0], screen_.rgb[1], screen_.rgb[2]), rules_, c, own_color, width_, tr, tg, tb);
    }
    if (!protect_) return;
    for (auto& spill : spill_) ProtectRow(protect_->picture.planes[0].row(y), width_, spill.data());
  }

  void Restore(int y) {
    for (int x = 0; x < width_; ++x) {
      light_[x] = kWeights[0] * spill_[0][x] + kWeights[1] * spill_[1][x] + kWeights[2] * spill_[2][x];
    }
    const Input* from = p_.restore() == Despill::BACKGROUND ? background_
                        : p_.restore() == Despill::OWN      ? own_color_
                                                            : nullptr;
    const float* hue[3];
    for (int c = 0; c < 3; ++c) hue[c] = from ? from->picture.planes[c].row(y) : hue_[c].data();
    RestoreRow(light_.data(), hue[0], hue[1], hue[2], width_, static_cast<float>(p_.restore_amount().value()),
               out_[0].row(y), out_[1].row(y), out_[2].row(y));
  }

  const Despill& p_;
  const ScreenColor& screen_;
  const std::vector<Plane>& in_;
  const Input* background_;
  const Input* own_color_;
  const Input* protect_;
  const Rules rules_;
  std::vector<Plane>& out_;
  const int width_;
  std::vector<float> spill_[3], hue_[3], light_;
};

class DespillOp final : public TypedOp<Despill> {
 public:
  absl::Status Make(const OpContext&, const Despill& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const ScreenColor screen, ResolveScreen(p.screen(), in));
    if (p.restore() == Despill::BACKGROUND && !in.Find("background")) {
      return absl::InvalidArgumentError("restore BACKGROUND needs the pass `background` to take the hue from");
    }
    if (p.restore() == Despill::OWN && !in.Find("own_color")) {
      return absl::InvalidArgumentError("restore OWN needs the pass `own_color` to take the hue from");
    }
    Despiller despiller(p, screen, in, out);
    for (int y = out->rect().y0; y < out->rect().y1; ++y) despiller.Row(y);
    if (!p.amount_to_alpha()) out->planes[3] = in.main().picture.planes[3];
    return absl::OkStatus();
  }
};
REGISTER_OP("despill", DespillOp);

}  // namespace
}  // namespace selvage::worker
