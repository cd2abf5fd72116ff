// Limits the screen component of a colour. Formulas: proto/ops/color.proto.
#include <algorithm>
#include <vector>

#include "proto/status.h"
#include "worker/op.h"
#include "worker/screen.h"

namespace selvage {
namespace {

constexpr float kWeights[3] = {0.2126f, 0.7152f, 0.0722f};
// A restoring colour darker than this has no hue: light comes back neutral.
constexpr float kLeastLight = 1e-6f;

// Weight of the larger of the two other channels.
float BalanceOf(const Despill& p) {
  switch (p.limit()) {
    case Despill::LARGER:
      return 1.0f;
    case Despill::SMALLER:
      return 0.0f;
    case Despill::WEIGHTED:
      return static_cast<float>(p.balance().value());
    default:
      return 0.5f;
  }
}

// Written so that the ends are exact and two equal channels give themselves.
float LimitOf(float o1, float o2, float balance) {
  const float larger = o1 > o2 ? o1 : o2, smaller = o1 < o2 ? o1 : o2;
  const float mixed = smaller + balance * (larger - smaller);
  return balance == 1.0f ? larger : mixed;
}

float SpillOf(float s, float limit, float allow, float amount) {
  const float over = s - limit * allow;
  return (over > 0.0f ? over : 0.0f) * amount;
}

// Spill of one row against one screen channel.
void SpillRow(const float* s, const float* o1, const float* o2, int n, float balance, float allow, float amount,
              float* spill) {
  for (int x = 0; x < n; ++x) spill[x] = SpillOf(s[x], LimitOf(o1[x], o2[x], balance), allow, amount);
}

// Against a screen given pixel by pixel: how much leaves each of R, G, B.
void PlateSpillRow(const float* sr, const float* sg, const float* sb, const float* cr, const float* cg, const float* cb,
                   int n, float balance, float allow, float amount, float* __restrict tr, float* __restrict tg,
                   float* __restrict tb) {
  for (int x = 0; x < n; ++x) {
    const float r = cr[x], g = cg[x], b = cb[x];
    const float red = SpillOf(r, LimitOf(g, b, balance), allow, amount);
    const float green = SpillOf(g, LimitOf(r, b, balance), allow, amount);
    const float blue = SpillOf(b, LimitOf(r, g, balance), allow, amount);
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

class DespillOp final : public TypedOp<Despill> {
 public:
  absl::Status Make(const OpContext&, const Despill& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const ScreenColor screen, ResolveScreen(p.screen(), in));
    const Input* background = in.Find("background");
    if (p.restore() == Despill::BACKGROUND && !background) {
      return absl::InvalidArgumentError("restore BACKGROUND needs the pass `background` to take the hue from");
    }
    const Input* protect = in.Find("protect");
    const float balance = BalanceOf(p), allow = static_cast<float>(p.allow().value());
    const float amount = static_cast<float>(p.amount().value());
    const int s = screen.Channel(), o1 = s == 0 ? 1 : 0, o2 = s == 2 ? 1 : 2;
    const Picture& picture = in.main().picture;
    const Rect& rect = out->rect();
    const int n = rect.width();
    if (rect.empty()) return absl::OkStatus();

    // What leaves each channel; with one screen colour only `s` loses anything.
    std::vector<float> spill[3];
    for (auto& row : spill) row.assign(n, 0.0f);
    std::vector<float> light(n);
    std::vector<float> restore_color[3];
    const float chosen[3] = {static_cast<float>(p.restore_color().r()), static_cast<float>(p.restore_color().g()),
                             static_cast<float>(p.restore_color().b())};
    for (int c = 0; c < 3; ++c) restore_color[c].assign(n, p.restore() == Despill::COLOR ? chosen[c] : 1.0f);

    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* from[3];
      float* to[3];
      const float* hue[3];
      for (int c = 0; c < 3; ++c) {
        from[c] = picture.planes[c].row(y);
        to[c] = out->planes[c].row(y);
        hue[c] = p.restore() == Despill::BACKGROUND ? background->picture.planes[c].row(y)
                                                    : restore_color[c].data();
      }
      if (screen.plate) {
        const std::vector<Plane>& plate = screen.plate->planes;
        PlateSpillRow(plate[0].row(y), plate[1].row(y), plate[2].row(y), from[0], from[1], from[2], n, balance, allow,
                      amount, spill[0].data(), spill[1].data(), spill[2].data());
      } else {
        SpillRow(from[s], from[o1], from[o2], n, balance, allow, amount, spill[s].data());
      }
      if (protect) Protect(protect->picture.planes[0].row(y), n, spill);
      for (int c = 0; c < 3; ++c) {
        for (int x = 0; x < n; ++x) to[c][x] = from[c][x] - spill[c][x];
      }
      if (p.restore() != Despill::NOTHING) {
        for (int x = 0; x < n; ++x) {
          light[x] = kWeights[0] * spill[0][x] + kWeights[1] * spill[1][x] + kWeights[2] * spill[2][x];
        }
        RestoreRow(light.data(), hue[0], hue[1], hue[2], n, static_cast<float>(p.restore_amount().value()), to[0], to[1],
                   to[2]);
      }
      float* alpha = out->planes[3].row(y);
      std::copy_n(picture.planes[3].row(y), n, alpha);
      if (p.amount_to_alpha()) {
        for (int x = 0; x < n; ++x) alpha[x] = spill[0][x] + spill[1][x] + spill[2][x];
      }
    }
    if (p.amount_to_alpha()) {
      out->kind = STRAIGHT;
    } else {
      out->planes[3].constant = picture.planes[3].constant;
    }
    return absl::OkStatus();
  }

 private:
  static void Protect(const float* protect, int n, std::vector<float>* spill) {
    for (int c = 0; c < 3; ++c) {
      float* row = spill[c].data();
      for (int x = 0; x < n; ++x) {
        float open = 1.0f - protect[x];
        open = open > 0.0f ? open : 0.0f;
        row[x] *= open < 1.0f ? open : 1.0f;
      }
    }
  }
};
REGISTER_OP("despill", DespillOp);

}  // namespace
}  // namespace selvage
