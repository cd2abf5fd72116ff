#include "worker/kernels/solid_core.h"

#include <algorithm>
#include <cmath>

#include "worker/kernels/distance.h"
#include "worker/kernels/foreground_model.h"
#include "worker/kernels/grid.h"
#include "worker/kernels/pull_push.h"

namespace selvage {
namespace {

// Keys that are solid where they are so all over a square of side 9 (at 360 lines)
// and this far from bare screen. The lower one counts where the colour has next to
// nothing of the screen's hue for its brightness: a white full of spill, no glass.
constexpr float kFairlySolid = 0.7f, kHalfSolid = 0.35f, kHardlyTinted = 0.35f;
constexpr double kAway = 4;
// Enclosed parts: screen amounts up to kHardlyAny are no window; larger ones must
// be even (median above 60 % of the largest) and of some area.
constexpr float kHardlyAny = 0.15f, kTinted = 0.6f, kEven = 0.6f;
constexpr double kPaneArea = 300;

class CoreSearch {
 public:
  CoreSearch(const AxisKeys& keys, const Bitmap& sure)
      : keys_(keys), sure_(sure), rect_(keys.key.rect()), scale_(KeyScale(rect_)), core_(rect_.width(), rect_.height()) {}

  std::optional<Bitmap> Run(const CoreRules& rules, const std::function<bool()>& stopped) {
    Bitmap other = sure_;
    for (uint8_t& bit : other.bits()) bit ^= 1;
    distance2_ = SquaredDistanceToZero(other.bits(), rect_.width(), rect_.height());
    Start(rules.solid);
    if (!DropRelatively(stopped)) return std::nullopt;
    core_ = Opened(core_, 1);
    if (rules.fill) Fill();
    if (stopped()) return std::nullopt;
    return Eroded(core_, 2);
  }

 private:
  const float* KeyRow(int y) const { return keys_.key.row(rect_.y0 + y); }
  const int32_t* DistanceRow(int y) const { return distance2_.data() + static_cast<size_t>(y) * rect_.width(); }

  void Start(float solid) {
    Bitmap fair(rect_.width(), rect_.height());
    for (int y = 0; y < rect_.height(); ++y) {
      const float *key = KeyRow(y), *tint = keys_.tint.row(rect_.y0 + y);
      uint8_t* to = fair.row(y);
      for (int x = 0; x < rect_.width(); ++x) to[x] = (key[x] > kFairlySolid) | ((key[x] > kHalfSolid) & (tint[x] < kHardlyTinted));
    }
    fair = Eroded(fair, std::max(1, static_cast<int>(std::lround(4 * scale_))));
    const double away = kAway * scale_;
    const int32_t away2 = static_cast<int32_t>(away * away);
    for (int y = 0; y < rect_.height(); ++y) {
      const float* key = KeyRow(y);
      const uint8_t *sure = sure_.row(y), *all = fair.row(y);
      const int32_t* d2 = DistanceRow(y);
      uint8_t* to = core_.row(y);
      for (int x = 0; x < rect_.width(); ++x) {
        to[x] = (1 ^ sure[x]) & ((key[x] > solid) | (all[x] & (d2[x] > away2)));
      }
    }
  }

  // What is well below the key of the core about it is not solid: foregrounds
  // opposite in hue to the screen have keys above 1.
  bool DropRelatively(const std::function<bool()>& stopped) {
    const Grid grid = FieldGrid(rect_);
    CellSums sums(grid, 3);
    const float away = static_cast<float>(kAway * scale_);
    for (int y = 0; y < rect_.height(); ++y) {
      const float* key = KeyRow(y);
      const uint8_t* core = core_.row(y);
      const int32_t* d2 = DistanceRow(y);
      float* const* to = sums.Rows(rect_.y0 + y);
      float *__restrict w0 = to[0], *__restrict w1 = to[1], *__restrict w2 = to[2];
      for (int x = 0; x < rect_.width(); ++x) {
        float share = std::sqrt(static_cast<float>(d2[x])) / away;
        share = share < 1.0f ? share : 1.0f;
        share = share > 0.05f ? share : 0.05f;
        const float w = core[x] ? share : 0.0f;
        w0[x] += w;
        w1[x] += w * key[x];
        w2[x] += w * key[x] * key[x];
      }
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
        limit.at(X, Y) = m - std::max(0.15f, 1.5f * deviation);
      }
    }
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = 0; y < rect_.height(); ++y) {
      enlarger.Row(limit, rect_.y0 + y, line.data());
      const float* key = KeyRow(y);
      uint8_t* core = core_.row(y);
      for (int x = 0; x < rect_.width(); ++x) core[x] &= !(key[x] < line[x]);
    }
    return true;
  }

  // Parts that touch no bare screen and are all but solid, or evenly tinted like a
  // reflection; a gap that shows the screen is peaked.
  void Fill() {
    Bitmap open(rect_.width(), rect_.height());
    for (size_t i = 0; i < open.bits().size(); ++i) open.bits()[i] = !(sure_.bits()[i] | core_.bits()[i]);
    std::vector<float> amounts;
    for (const std::vector<PartRun>& part : PartsAwayFrom(open, sure_)) {
      amounts.clear();
      for (const PartRun& run : part) {
        for (int x = run.x0; x < run.x1; ++x) amounts.push_back(1 - KeyRow(run.y)[x]);
      }
      const float most = *std::max_element(amounts.begin(), amounts.end());
      bool solid = most < kHardlyAny;
      if (!solid && most < kTinted && static_cast<double>(amounts.size()) > kPaneArea * scale_ * scale_) {
        const auto middle = amounts.begin() + static_cast<ptrdiff_t>(amounts.size() / 2);
        std::nth_element(amounts.begin(), middle, amounts.end());
        solid = *middle > kEven * most;
      }
      if (!solid) continue;
      for (const PartRun& run : part) std::fill(core_.row(run.y) + run.x0, core_.row(run.y) + run.x1, 1);
    }
  }

  const AxisKeys& keys_;
  const Bitmap& sure_;
  const Rect rect_;
  const double scale_;
  Bitmap core_;
  std::vector<int32_t> distance2_;
};

}  // namespace

AxisKeys KeyAlongAxis(const ScreenView& view, const Rgb& denoised) {
  const Rect& rect = denoised[0].rect();
  AxisKeys keys{Plane(rect), Plane(rect)};
  Plane signal(rect);
  // A screen that is hardly one in places still divides.
  float least = 0;
  for (int c = 0; c < 3; ++c) least += view.mean[c] * view.axis[c];
  least *= 0.01f;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* const c[3] = {denoised[0].row(y), denoised[1].row(y), denoised[2].row(y)};
    const float* const s[3] = {view.screen[0].row(y), view.screen[1].row(y), view.screen[2].row(y)};
    AxisRow(c, s, view.axis.data(), least, rect.width(), signal.row(y), keys.key.row(y), keys.tint.row(y));
  }
  const Plane soft = Blurred(signal, 0.7);
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = soft.row(y);
    // Holds the screen's own signal so far.
    float* to = keys.key.row(y);
    for (int x = 0; x < rect.width(); ++x) to[x] = 1.0f - from[x] / to[x];
  }
  return keys;
}

std::optional<Bitmap> FindCore(const AxisKeys& keys, const Bitmap& sure, const CoreRules& rules,
                               const std::function<bool()>& stopped) {
  return CoreSearch(keys, sure).Run(rules, stopped);
}

}  // namespace selvage
