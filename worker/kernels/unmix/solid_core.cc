#include "worker/kernels/unmix/solid_core.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "worker/kernels/geometry/bit_rows.h"
#include "worker/kernels/geometry/cell_bits.h"
#include "worker/kernels/geometry/distance.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/pull_push.h"
#include "worker/kernels/unmix/foreground_model.h"
#include "worker/kernels/unmix/mix_rows.h"
#include "worker/kernels/unmix/shading_evidence.h"

namespace selvage::worker {
namespace {

// Keys that are solid where they are so all over a square (of side 9 at 360 lines) and
// this far from bare screen; and the distance that is kept from what isn't core.
constexpr float kFairlySolid = 0.7f;
constexpr double kAround = 4, kAway = 4;
constexpr int kInset = 2;
// The key of a soft rim rises by this from pixel to pixel at 360 lines, after a blur; a part of the core with
// less than that share beside its rims tells nothing.
constexpr double kRimRise = 0.03, kRiseOver = 1, kLeastLevel = 0.35;
// A matte says more than a key. Slits of the core as narrow as the folds of cloth, up
// to twice kSlit, may be half open, as they lie in shade and in spill.
constexpr float kSolidInMatte = 0.95f, kTintInSlit = 0.6f;
constexpr double kSlit = 2;
// Parts of the band that vary as something lit does: alpha from which a pixel
// belongs to one, the radius of what is too thin, the mean evidence that makes all
// of it solid, or its pixels of some evidence of their own; and what being among
// core rather than among anything else adds to it. Glass, smears and bushes vary as well:
// what lies within `away` of bare screen stays a mixture. Where somebody has drawn what is
// solid, less is asked for.
struct Asked {
  float half_open, open_in_slit;
  double lit_part, away;
};
constexpr Asked kOfAll{0.4f, 0.88f, 0.2, 12}, kNearDrawn{0.2f, 0.35f, 0, 3};
constexpr float kLitPixel = 0.2f;
constexpr double kThin = 2, kPerhapsLit = 0.1, kAmongCore = 0.4, kLitAway = 3;
// A smear's alpha rises all the way from bare screen to the core, that of a solid at its edge:
// its slope times the distance from bare screen, as a share of alpha, is about 1 in a smear.
// What is taken off the evidence for that being above kLevel.
constexpr double kRising = 0.6, kLevel = 0.5, kSlopeOver = 2;
// Parts of so much evidence that rise so little are solid up to kLevelAway from bare screen.
constexpr double kStrong = 0.4, kFlat = 0.4, kLevelAway = 4;
// Cloth and what moves before it are one part by their alpha; a hand's smear over the
// screen has more of its hue than cloth has spill.
constexpr float kTintOfSpill = 0.5f;
// Dark veils: neither screen nor solid by the key, with this much of the screen's hue,
// of some area, wider than this; and how far their rims go on, where what lies next
// to them is all that varies.
constexpr float kOpenVeil = 0.3f, kShutVeil = 0.9f, kTintOfVeil = 0.3f;
constexpr double kVeilArea = 100, kThinVeil = 1, kVeilRim = 2, kSoftTint = 1;
constexpr int kVeilReach = 6;
// Enclosed parts: screen amounts up to kHardlyAny are no window; larger ones must
// be even (median above 60 % of the largest) and of some area, or hold nowhere
// nearly as much as screen, though some pixels lie deep.
constexpr float kHardlyAny = 0.15f, kTinted = 0.6f, kEven = 0.6f, kNearlyScreen = 0.8f;
constexpr double kPaneArea = 300, kDeep = 3;
constexpr size_t kFewDeep = 4;

// A distance at 360 lines in cells, one at least.
int Cells(double distance, const Rect& rect) {
  return std::max(1, static_cast<int>(std::lround(distance * KeyScale(rect))));
}

// A mesh or a lattice before the screen is darker than it, in its hue and, between
// the edges of other things, varies as coverage does. A key takes it for solid: black
// threads leave little of the screen's light.
Bitmap DarkVeils(const ScreenView& view, const AxisKeys& keys) {
  const Rect& rect = keys.key.rect();
  const Bitmap sure = CellsOf(view.sure, CoreGrid(view.color.rect()));
  const int width = sure.width(), height = sure.height();
  Bitmap dark(width, height);
  for (int Y = 0; Y < height; ++Y) {
    const float *key = keys.key.row(Y), *t = keys.soft_tint.row(Y);
    const uint8_t* bare = sure.row(Y);
    uint8_t* to = dark.row(Y);
    // What the key leaves of the screen's hue is tint times brightness.
    for (int X = 0; X < width; ++X) {
      to[X] = (1 ^ bare[X]) & (key[X] > kOpenVeil) & (key[X] < kShutVeil) & (t[X] > kTintOfVeil) & (1 - key[X] < t[X]);
    }
  }
  dark = Opened(dark, Cells(kThinVeil, rect));
  Bitmap veils(width, height);
  if (dark.Count() == 0) return veils;
  const Parts parts = ConnectedParts(dark.bits(), width, height, Neighbours::kFour);
  // What they are judged by reaches little beyond them.
  Bitmap where = Grown(sure, 1), near = Grown(dark, kVeilReach);
  for (size_t i = 0; i < where.bits().size(); ++i) where.bits()[i] = near.bits()[i] & (1 ^ where.bits()[i]);
  const Plane evidence = FineShadingEvidence(view, view.color_cells, view.screen_cells, where);
  std::vector<double> sums(parts.parts.size());
  for (const PartRun& run : parts.runs) {
    const float* e = evidence.row(run.y / 2);
    for (int x = run.x0; x < run.x1; ++x) sums[run.part] += e[x / 2];
  }
  const double least = kVeilArea * KeyScale(rect) * KeyScale(rect);
  for (const PartRun& run : parts.runs) {
    if (static_cast<double>(parts.parts[run.part].area) < least || sums[run.part] >= 0) continue;
    std::fill(veils.row(run.y) + run.x0, veils.row(run.y) + run.x1, 1);
  }
  return Grown(veils, Cells(kVeilRim, rect));
}

// How much of a matte's height at a place comes from its slope there, going on from bare screen.
class Rise {
 public:
  Rise(const Plane& alpha, const Bitmap& sure)
      : smooth_(Blurred(alpha, kSlopeOver * KeyScale(alpha.rect()))), width_(sure.width()), height_(sure.height()) {
    const int reach = 127;
    away2_ = SquaredDistanceUpTo(sure.bits(), width_, height_, reach);
  }
  float At(int X, int Y) const {
    const int left = std::max(0, X - 2), right = std::min(width_ - 1, X + 2), above = std::max(0, Y - 2),
              below = std::min(height_ - 1, Y + 2);
    const float* here = smooth_.row(Y);
    const float gx = (here[right] - here[left]) / static_cast<float>(std::max(1, right - left)),
                gy = (smooth_.row(below)[X] - smooth_.row(above)[X]) / static_cast<float>(std::max(1, below - above));
    const float away = std::sqrt(static_cast<float>(away2_[static_cast<size_t>(Y) * width_ + X]));
    const float rise = std::sqrt(gx * gx + gy * gy) * away / std::max(0.05f, here[X]);
    return std::min(1.5f, rise);
  }

 private:
  const Plane smooth_;
  const int width_, height_;
  PooledVector<int16_t> away2_;
};

// Parts of the band that are half solid by the matte, and spilled rather than thin.
Bitmap LitSolids(const Plane& alpha, const AxisKeys& keys, const Plane& evidence, const Bitmap& core,
                 const Bitmap& sure, const Asked& asked) {
  const int width = core.width(), height = core.height();
  Bitmap band(width, height);
  for (int Y = 0; Y < height; ++Y) {
    const float* a = alpha.row(Y);
    const uint8_t *in_core = core.row(Y), *bare = sure.row(Y), *veil = keys.veil.row(Y);
    uint8_t* to = band.row(Y);
    for (int X = 0; X < width; ++X) to[X] = (a[X] > asked.half_open) & !(in_core[X] | bare[X] | veil[X]);
  }
  const int thin = Cells(kThin, alpha.rect());
  const Bitmap wide = Opened(band, thin);
  if (wide.Count() == 0) return core.Count() > 0 ? Eroded(core, 1) : core;
  const Rise rise(alpha, sure);
  struct Sums {
    double evidence = 0, rim = 0, core = 0, rise = 0;
  };
  const int dx[] = {thin + 1, -thin - 1, 0, 0}, dy[] = {0, 0, thin + 1, -thin - 1};
  Bitmap lit(width, height), level(width, height);
  for (const bool tinted : {false, true}) {
    Bitmap some(width, height);
    for (int Y = 0; Y < height; ++Y) {
      const float* t = keys.soft_tint.row(Y);
      for (int X = 0; X < width; ++X) some.row(Y)[X] = wide.row(Y)[X] & ((t[X] > kTintOfSpill) == tinted);
    }
    const Parts parts = ConnectedParts(some.bits(), width, height, Neighbours::kFour);
    std::vector<Sums> sums(parts.parts.size());
    for (const PartRun& run : parts.runs) {
      Sums& sum = sums[run.part];
      const float* e = evidence.row(run.y / 2);
      for (int x = run.x0; x < run.x1; ++x) {
        sum.evidence += e[x / 2], sum.rise += rise.At(x, run.y);
        for (int k = 0; k < 4; ++k) {
          const int i = x + dx[k], j = run.y + dy[k];
          if (i < 0 || j < 0 || i >= width || j >= height || some.row(j)[i]) continue;
          ++sum.rim, sum.core += core.row(j)[i];
        }
      }
    }
    for (const PartRun& run : parts.runs) {
      const Sums& sum = sums[run.part];
      const double area = static_cast<double>(parts.parts[run.part].area);
      const double mean = sum.evidence / area + kAmongCore * (sum.core / std::max(1.0, sum.rim) - 0.5) -
                          kRising * std::max(0.0, sum.rise / area - kLevel);
      const float* e = evidence.row(run.y / 2);
      if (mean > kStrong && sum.rise / area < kFlat) std::fill(level.row(run.y) + run.x0, level.row(run.y) + run.x1, 1);
      for (int x = run.x0; x < run.x1; ++x)
        lit.row(run.y)[x] = mean > asked.lit_part || (mean > asked.lit_part - kPerhapsLit && e[x / 2] > kLitPixel);
    }
  }
  // Near bare screen doubt means a mixture: what was made solid there could not be brought
  // back by hand.
  TakeAway(Grown(sure, Cells(asked.away, alpha.rect())), &lit);
  TakeAway(Grown(sure, Cells(kLevelAway, alpha.rect())), &level);
  AddBitsRow(level.row(0), level.bits().size(), lit.row(0));
  // The outermost cells are decided with the part, but may be a mixture.
  for (size_t i = 0; i < lit.bits().size(); ++i) lit.bits()[i] |= core.bits()[i];
  return Eroded(lit, 1);
}

class CoreSearch {
 public:
  CoreSearch(const Plane& key, Bitmap sure, const Bitmap& veil)
      : key_(key),
        sure_(std::move(sure)),
        veil_(veil),
        rect_(key.rect()),
        scale_(KeyScale(rect_)),
        core_(rect_.width(), rect_.height()) {}

  // By a key; `wide` is solid where away from bare screen.
  std::optional<Bitmap> InKey(float solid, const Bitmap& wide, bool fill, const std::function<bool()>& stopped) {
    Start(solid, wide, kAway);
    if (!DropRelatively(solid, stopped)) return std::nullopt;
    core_ = Opened(core_, 1);
    if (fill) Fill();
    if (stopped()) return std::nullopt;
    return Eroded(core_, kInset);
  }
  // By a matte: what is solid there is so up to its edge.
  Bitmap InMatte(const Bitmap& wide, bool fill) {
    Start(kSolidInMatte, wide, kLitAway);
    if (fill) Fill();
    return std::move(core_);
  }

 private:
  const float* KeyRow(int y) const { return key_.row(rect_.y0 + y); }
  const int16_t* DistanceRow(int y) const { return distance2_.data() + static_cast<size_t>(y) * rect_.width(); }

  void Start(float solid, const Bitmap& wide_parts, double away_at_360) {
    const int reach = std::clamp(static_cast<int>(std::ceil(kAway * scale_)), 1, 127);
    distance2_ = SquaredDistanceUpTo(sure_.bits(), rect_.width(), rect_.height(), reach);
    Bitmap closed = sure_;
    AddBitsRow(veil_.row(0), closed.bits().size(), closed.row(0));
    const double away = away_at_360 * scale_;
    const int16_t away2 = static_cast<int16_t>(std::min(away * away, 127.0 * 127));
    for (int y = 0; y < rect_.height(); ++y) {
      SolidRow(closed.row(y), KeyRow(y), solid, wide_parts.row(y), DistanceRow(y), away2, rect_.width(), core_.row(y));
    }
  }

  // What is well below the key of the core about it is not solid: foregrounds
  // opposite in hue to the screen have keys above 1. Of those `solid` is a share.
  bool DropRelatively(float solid, const std::function<bool()>& stopped) {
    const Grid grid = FieldGrid(rect_);
    CellSums sums(grid, 3);
    const float away = static_cast<float>(kAway * scale_);
    const Bitmap level = LevelCore();
    for (int y = 0; y < rect_.height(); ++y) {
      const float* key = KeyRow(y);
      const uint8_t* core = level.row(y);
      const int16_t* d2 = DistanceRow(y);
      float* const* to = sums.Rows(rect_.y0 + y);
      AddKeysRow(core, d2, away, key, rect_.width(), to);
    }
    sums.Finish();
    Plane weight = std::move(sums.planes()[0]);
    std::vector<Plane> fields{std::move(sums.planes()[1]), std::move(sums.planes()[2])};
    NormaliseCells(grid, 1, &weight, &fields);
    if (!PullPush(weight, &fields, stopped)) return false;
    const double sigma = kAway * scale_ / grid.factor;
    const Plane mean = Blurred(fields[0], sigma), square = Blurred(fields[1], sigma);
    Plane limit(mean.rect());
    for (int Y = 0; Y < limit.rect().y1; ++Y) {
      for (int X = 0; X < limit.rect().x1; ++X) {
        const float m = mean.at(X, Y), deviation = std::sqrt(std::max(0.0f, square.at(X, Y) - m * m));
        const float lowest = m - std::max(0.15f, 1.5f * deviation);
        limit.at(X, Y) = m > 1 ? std::max(lowest, solid * m) : lowest;
      }
    }
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = 0; y < rect_.height(); ++y) {
      enlarger.Row(limit, rect_.y0 + y, line.data());
      const float* key = KeyRow(y);
      DropRow(key, line.data(), rect_.width(), core_.row(y));
    }
    return true;
  }

  // The core but for the soft rims at which its key still rises: of a foreground with a key of 2 that is
  // out of focus, half of the rim is above any key that is solid. All of a part that rises nearly all over.
  Bitmap LevelCore() const {
    Bitmap level = core_;
    const Plane smooth = Blurred(key_, kRiseOver);
    const float slope = static_cast<float>(kRimRise / scale_);
    const int width = rect_.width(), height = rect_.height();
    std::vector<std::pair<int, int>> next;
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) {
        if (!core_.row(y)[x] && !sure_.row(y)[x]) next.emplace_back(x, y);
      }
    }
    // Uphill from there. What is reached does not depend on the order.
    while (!next.empty()) {
      const auto [x, y] = next.back();
      next.pop_back();
      const float least = smooth.at(rect_.x0 + x, rect_.y0 + y) + slope;
      for (int v = std::max(0, y - 1); v <= std::min(height - 1, y + 1); ++v) {
        const float* there = smooth.row(rect_.y0 + v);
        uint8_t* to = level.row(v);
        for (int u = std::max(0, x - 1); u <= std::min(width - 1, x + 1); ++u) {
          if (!to[u] || !(there[u] > least)) continue;
          to[u] = 0;
          next.emplace_back(u, v);
        }
      }
    }
    const Parts parts = ConnectedParts(core_.bits(), width, height, Neighbours::kFour);
    std::vector<int64_t> count(parts.parts.size());
    for (const PartRun& run : parts.runs) count[run.part] += CountRow(level.row(run.y) + run.x0, run.x1 - run.x0);
    for (const PartRun& run : parts.runs) {
      if (static_cast<double>(count[run.part]) >= kLeastLevel * static_cast<double>(parts.parts[run.part].area))
        continue;
      std::fill(level.row(run.y) + run.x0, level.row(run.y) + run.x1, 1);
    }
    return level;
  }

  // Parts that touch no bare screen and are all but solid, or evenly tinted, or
  // have screen nowhere deep inside, like a reflection; a gap that shows the screen
  // is peaked.
  void Fill() {
    Bitmap open(rect_.width(), rect_.height());
    Bitmap closed = sure_;
    AddBitsRow(veil_.row(0), closed.bits().size(), closed.row(0));
    NeitherRow(closed.row(0), core_.row(0), open.bits().size(), open.row(0));
    const Bitmap deep = Eroded(open, Cells(kDeep, rect_));
    std::vector<float> amounts;
    for (const std::vector<PartRun>& part : PartsAwayFrom(open, sure_)) {
      amounts.clear();
      float deepest = 0;
      size_t lying_deep = 0;
      for (const PartRun& run : part) {
        const float* key = KeyRow(run.y);
        const uint8_t* is_deep = deep.row(run.y);
        for (int x = run.x0; x < run.x1; ++x) {
          amounts.push_back(1 - key[x]);
          lying_deep += is_deep[x];
          deepest = is_deep[x] ? std::max(deepest, 1 - key[x]) : deepest;
        }
      }
      const float most = *std::max_element(amounts.begin(), amounts.end());
      bool solid = most < kHardlyAny || (lying_deep > kFewDeep && deepest < kNearlyScreen);
      if (!solid && most<kTinted&& static_cast<double>(amounts.size())> kPaneArea * scale_ * scale_) {
        const auto middle = amounts.begin() + static_cast<ptrdiff_t>(amounts.size() / 2);
        std::nth_element(amounts.begin(), middle, amounts.end());
        solid = *middle > kEven * most;
      }
      if (!solid) continue;
      for (const PartRun& run : part) std::fill(core_.row(run.y) + run.x0, core_.row(run.y) + run.x1, 1);
    }
  }

  const Plane& key_;
  const Bitmap sure_;
  const Bitmap& veil_;
  const Rect rect_;
  const double scale_;
  Bitmap core_;
  // Squared distance to bare screen, as far as kAway.
  PooledVector<int16_t> distance2_;
};

}  // namespace

AxisKeys KeyAlongAxis(const ScreenView& view) {
  const Grid grid = CoreGrid(view.color.rect());
  const Rgb &color = view.color_cells, &screen = view.screen_cells;
  NoiseTerms noise = view.noise.terms;
  const float pixels = static_cast<float>(grid.factor * grid.factor);
  noise.a /= pixels, noise.b /= pixels;
  const Rgb denoised = Denoised(color, noise);
  const Rect rect = grid.cells();
  AxisKeys keys{.key = Plane(rect), .tint = Plane(rect), .veil = {}};
  Plane signal(rect);
  // A screen that is hardly one in places still divides.
  float least = 0;
  for (int c = 0; c < 3; ++c) least += view.mean[c] * view.axis[c];
  least *= 0.01f;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* const c[3] = {denoised[0].row(y), denoised[1].row(y), denoised[2].row(y)};
    const float* const s[3] = {screen[0].row(y), screen[1].row(y), screen[2].row(y)};
    AxisRow(c, s, view.axis.data(), least, rect.width(), signal.row(y), keys.key.row(y), keys.tint.row(y));
  }
  const Plane soft = Blurred(signal, 0.7);
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = soft.row(y);
    // Holds the screen's own signal so far.
    float* to = keys.key.row(y);
    for (int x = 0; x < rect.width(); ++x) to[x] = 1.0f - from[x] / to[x];
  }
  keys.soft_tint = Blurred(keys.tint, kSoftTint);
  keys.veil = DarkVeils(view, keys);
  return keys;
}

std::optional<Bitmap> FindCore(const AxisKeys& keys, const Grid& grid, const Bitmap& sure, const CoreRules& rules,
                               const std::function<bool()>& stopped) {
  Bitmap fair(keys.key.rect().width(), keys.key.rect().height());
  for (int Y = 0; Y < fair.height(); ++Y) {
    AboveRow(keys.key.row(Y), kFairlySolid, fair.width(), fair.row(Y));
  }
  fair = Eroded(fair, Cells(kAround, keys.key.rect()));
  const auto core = CoreSearch(keys.key, CellsOf(sure, grid), keys.veil).InKey(rules.solid, fair, rules.fill, stopped);
  if (!core) return std::nullopt;
  return PixelsOf(*core, grid);
}

Bitmap FindCoreInMatte(const Plane& alpha, const AxisKeys& keys, const Plane& evidence, const Bitmap& core,
                       const Bitmap& sure, bool fill, bool near_drawn) {
  const Asked& asked = near_drawn ? kNearDrawn : kOfAll;
  const Grid grid = CoreGrid(alpha.rect());
  const Plane cells = CellMeans(grid, alpha);
  const Bitmap of_sure = CellsOf(sure, grid);
  const Bitmap of_core = CellsOf(core, grid), lit = LitSolids(cells, keys, evidence, of_core, of_sure, asked);
  const int slit = Cells(kSlit, cells.rect());
  Bitmap joined = Eroded(Grown(of_core, slit), slit);
  for (int Y = 0; Y < joined.height(); ++Y) {
    const float *a = cells.row(Y), *tint = keys.tint.row(Y);
    const uint8_t* also = lit.row(Y);
    uint8_t* to = joined.row(Y);
    for (int X = 0; X < joined.width(); ++X)
      to[X] = (to[X] & (a[X] > asked.open_in_slit) & (tint[X] < kTintInSlit)) | also[X];
  }
  return PixelsOf(CoreSearch(cells, of_sure, keys.veil).InMatte(joined, fill), grid);
}

}  // namespace selvage::worker
