// Limits the screen component of a colour. Formulas: proto/ops/color.proto.
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"

namespace selvage::worker {
namespace {

constexpr float kWeights[3] = {0.2126f, 0.7152f, 0.0722f};
// A restoring colour darker than this has no hue: light comes back neutral.
constexpr float kLeastLight = 1e-6f;

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

float SpillOf(float s, float limit, float allow, float amount) {
  const float over = s - limit * allow;
  return (over > 0.0f ? over : 0.0f) * amount;
}

// Spill of one row against one screen channel.
void SpillRow(const float* s, const float* o1, const float* o2, int n, float larger_weight, float allow, float amount,
              float* spill) {
  for (int x = 0; x < n; ++x) spill[x] = SpillOf(s[x], LimitOf(o1[x], o2[x], larger_weight), allow, amount);
}

// Against a screen given pixel by pixel: how much leaves each of R, G, B.
void PlateSpillRow(const float* sr, const float* sg, const float* sb, const float* cr, const float* cg, const float* cb,
                   int n, float larger_weight, float allow, float amount, float* __restrict tr, float* __restrict tg,
                   float* __restrict tb) {
  for (int x = 0; x < n; ++x) {
    const float r = cr[x], g = cg[x], b = cb[x];
    const float red = SpillOf(r, LimitOf(g, b, larger_weight), allow, amount);
    const float green = SpillOf(g, LimitOf(r, b, larger_weight), allow, amount);
    const float blue = SpillOf(b, LimitOf(r, g, larger_weight), allow, amount);
    // Blue unless red is larger; green where it is no smaller than that.
    const float other = sr[x] > sb[x] ? sr[x] : sb[x];
    const float open = sg[x] >= other ? 0.0f : 1.0f;
    tg[x] = sg[x] >= other ? green : 0.0f;
    tr[x] = (sr[x] > sb[x] ? red : 0.0f) * open;
    tb[x] = (sr[x] > sb[x] ? 0.0f : blue) * open;
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
  // REQUIRES: `background` where p restores it. All must outlive this.
  Despiller(const Despill& p, const ScreenColor& screen, const Inputs& in, Picture* out)
      : p_(p),
        screen_(screen),
        in_(in.main().picture.planes),
        background_(in.Find("background")),
        protect_(in.Find("protect")),
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
  // What leaves each channel; with one screen colour only its own loses anything.
  void Measure(int y) {
    const float larger_weight = LargerWeightOf(p_), allow = static_cast<float>(p_.allow().value());
    const float amount = static_cast<float>(p_.amount().value());
    if (screen_.plate) {
      const std::vector<Plane>& s = screen_.plate->planes;
      PlateSpillRow(s[0].row(y), s[1].row(y), s[2].row(y), in_[0].row(y), in_[1].row(y), in_[2].row(y), width_,
                    larger_weight, allow, amount, spill_[0].data(), spill_[1].data(), spill_[2].data());
    } else {
      const int s = screen_.Channel(), o1 = s == 0 ? 1 : 0, o2 = s == 2 ? 1 : 2;
      SpillRow(in_[s].row(y), in_[o1].row(y), in_[o2].row(y), width_, larger_weight, allow, amount, spill_[s].data());
    }
    if (!protect_) return;
    for (auto& spill : spill_) ProtectRow(protect_->picture.planes[0].row(y), width_, spill.data());
  }

  void Restore(int y) {
    for (int x = 0; x < width_; ++x) {
      light_[x] = kWeights[0] * spill_[0][x] + kWeights[1] * spill_[1][x] + kWeights[2] * spill_[2][x];
    }
    const float* hue[3];
    for (int c = 0; c < 3; ++c) {
      hue[c] = p_.restore() == Despill::BACKGROUND ? background_->picture.planes[c].row(y) : hue_[c].data();
    }
    RestoreRow(light_.data(), hue[0], hue[1], hue[2], width_, static_cast<float>(p_.restore_amount().value()),
               out_[0].row(y), out_[1].row(y), out_[2].row(y));
  }

  const Despill& p_;
  const ScreenColor& screen_;
  const std::vector<Plane>& in_;
  const Input* background_;
  const Input* protect_;
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
    Despiller despiller(p, screen, in, out);
    for (int y = out->rect().y0; y < out->rect().y1; ++y) despiller.Row(y);
    if (!p.amount_to_alpha()) out->planes[3] = in.main().picture.planes[3];
    return absl::OkStatus();
  }
};
REGISTER_OP("despill", DespillOp);

}  // namespace
}  // namespace selvage::worker
