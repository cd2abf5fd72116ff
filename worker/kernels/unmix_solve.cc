#include "worker/kernels/unmix_solve.h"

#include <algorithm>
#include <cmath>

#include "worker/kernels/shading_evidence.h"
#include "worker/kernels/solid_core.h"

namespace selvage {
namespace {

// Fewer pixels of core (at 360 lines) tell nothing about the foreground.
constexpr double kLeastCore = 50;
// Pixels that are solved together: a full vector on any machine.
constexpr int kTogether = 16;
// Fewer leave brown cloth between white and black half open; more change little.
constexpr int kRounds = 3;
// Alpha from which a pixel of the band teaches the model. A matte that took a dark
// spilled rim for a thin bright one would learn the bright colour from it, and stay.
constexpr float kTeaches = 0.8f;

// Calls use(x0, x1) for stretches, whole blocks of kTogether, that hold all pixels
// for which wanted(x).
template <class Wanted, class Use>
void ForStretches(int width, const Wanted& wanted, const Use& use) {
  int from = -1;
  for (int x = 0; x < width; x += kTogether) {
    const int end = std::min(x + kTogether, width);
    bool any = false;
    for (int i = x; i < end; ++i) any |= wanted(i);
    if (any && from < 0) from = x;
    if (!any && from >= 0) use(from, x), from = -1;
  }
  if (from >= 0) use(from, width);
}

MixRows RowsFrom(const Rgb& color, const Rgb& screen, const ForegroundRows& foreground, int y, int x) {
  MixRows rows;
  for (int c = 0; c < 3; ++c) {
    rows.color[c] = color[c].row(y) + x;
    rows.screen[c] = screen[c].row(y) + x;
    rows.foreground.mean[c] = foreground.mean[c] + x;
  }
  for (int k = 0; k < 6; ++k) rows.foreground.cov[k] = foreground.cov[k] + x;
  return rows;
}

// Samples of the foreground, a stretch of a row at a time.
class Sampler {
 public:
  Sampler(const Rgb& color, const Rgb& screen)
      : color_(color), screen_(screen), rect_(color[0].rect()), sums_(FieldGrid(rect_)), lines_(4 * static_cast<size_t>(rect_.width())) {}

  // Under the matte, where `counts`.
  template <class Counts>
  void Add(int y, int x0, int x1, const float* alpha, const Counts& counts) {
    const float* const c[3] = {color_[0].row(y) + x0, color_[1].row(y) + x0, color_[2].row(y) + x0};
    const float* const s[3] = {screen_[0].row(y) + x0, screen_[1].row(y) + x0, screen_[2].row(y) + x0};
    float* const weight = lines_.data();
    float* const y3[3] = {weight + rect_.width(), weight + 2 * rect_.width(), weight + 3 * rect_.width()};
    SamplesRow(c, s, alpha + x0, kTeaches, x1 - x0, weight, y3);
    for (int x = x0; x < x1; ++x) weight[x - x0] = counts(x) ? weight[x - x0] : 0.0f;
    sums_.Add(y, x0, weight, y3, x1 - x0);
  }
  std::vector<Plane> Finish() { return sums_.Finish(); }

 private:
  const Rgb &color_, &screen_;
  const Rect rect_;
  ForegroundModel::Samples sums_;
  std::vector<float> lines_;
};

class BandSolver {
 public:
  BandSolver(const ScreenView& view, const AxisKeys& keys, const Bitmap& core)
      : view_(view), keys_(keys), core_(core), rect_(view.color[0].rect()), alpha_(rect_), band_(rect_.width(), rect_.height()) {
    const Grid grid = CoreGrid(rect_);
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t *sure = view_.sure.row(y - rect_.y0), *in_core = core.row(y - rect_.y0);
      uint8_t* open = band_.row(y - rect_.y0);
      enlarger.Row(keys.key, y, line.data());
      float* alpha = alpha_.row(y);
      for (int x = 0; x < rect_.width(); ++x) {
        float value = line[x] > 0.0f ? line[x] : 0.0f;
        value = value < 1.0f ? value : 1.0f;
        open[x] = !(sure[x] | in_core[x]);
        alpha[x] = in_core[x] ? 1.0f : sure[x] ? 0.0f : value;
      }
    }
    color_ = Denoised(view.color, view.noise.terms, &band_);
  }

  // Models from the core alone, then from the matte that they give and the core
  // that is seen in it.
  bool Solve(bool fill, const std::function<bool()>& stopped) {
    const std::vector<Plane> of_core = CoreSamples();
    evidence_ = ShadingEvidence(view_, keys_.color, keys_.screen);
    for (int round = 0; round < kRounds; ++round) {
      if (!SolveOnce(round == 0 ? Copied(of_core) : WithBand(of_core), stopped)) return false;
      if (round + 1 < kRounds) AddToCore(FindCoreInMatte(alpha_, keys_, evidence_, core_, view_.sure, fill));
    }
    return true;
  }

  // And once more with more of the core.
  bool SolveWith(const Bitmap& given, const std::function<bool()>& stopped) {
    AddToCore(given);
    return SolveOnce(WithBand(CoreSamples()), stopped);
  }

  void AddToCore(const Bitmap& more) {
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t* added = more.row(y - rect_.y0);
      uint8_t* core = core_.row(y - rect_.y0);
      float* alpha = alpha_.row(y);
      for (int x = 0; x < rect_.width(); ++x) {
        core[x] |= added[x];
        alpha[x] = added[x] ? 1.0f : alpha[x];
      }
    }
  }

  Plane Variance() {
    Plane variance = Plane::Filled(rect_, 0);
    variance.constant.reset();
    ForBand([&](int y, const MixRows& rows, int x0, int x1) {
      line_.resize(rect_.width());
      SolveVarianceRow(rows, view_.noise.terms, alpha_.row(y) + x0, x1 - x0, line_.data());
      for (int x = x0; x < x1; ++x) {
        if (InBand(x, y)) variance.row(y)[x] = line_[x - x0];
      }
    });
    return variance;
  }

  // As if nothing were known: 1 in the band.
  Plane Unknown() const {
    Plane variance(rect_);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      for (int x = 0; x < rect_.width(); ++x) variance.row(y)[x] = InBand(x, y) ? 1.0f : 0.0f;
    }
    return variance;
  }

  Plane& alpha() { return alpha_; }
 private:
  std::vector<Plane> CoreSamples() const {
    Sampler samples(view_.color, view_.screen);
    const std::vector<float> solid(rect_.width(), 1.0f);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t* core = core_.row(y - rect_.y0);
      const auto in_core = [&](int x) { return core[x] != 0; };
      ForStretches(rect_.width(), in_core, [&](int x0, int x1) { samples.Add(y, x0, x1, solid.data(), in_core); });
    }
    return samples.Finish();
  }

  static std::vector<Plane> Copied(const std::vector<Plane>& planes) {
    std::vector<Plane> copies;
    for (const Plane& plane : planes) {
      copies.emplace_back(plane.rect());
      for (int Y = 0; Y < plane.rect().y1; ++Y) std::copy_n(plane.row(Y), plane.rect().width(), copies.back().row(Y));
    }
    return copies;
  }

  // And what the matte says of the band.
  std::vector<Plane> WithBand(const std::vector<Plane>& of_core) const {
    Sampler samples(color_, view_.screen);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t* band = band_.row(y - rect_.y0);
      const auto in_band = [&](int x) { return band[x] != 0; };
      ForStretches(rect_.width(), in_band, [&](int x0, int x1) { samples.Add(y, x0, x1, alpha_.row(y), in_band); });
    }
    std::vector<Plane> sums = samples.Finish();
    for (size_t p = 0; p < sums.size(); ++p) {
      for (int Y = 0; Y < sums[p].rect().y1; ++Y) {
        const float* core = of_core[p].row(Y);
        float* to = sums[p].row(Y);
        for (int X = 0; X < sums[p].rect().width(); ++X) to[X] += core[X];
      }
    }
    return sums;
  }

  bool SolveOnce(std::vector<Plane> samples, const std::function<bool()>& stopped) {
    if (!model_.Build(view_, std::move(samples), alpha_, core_, stopped)) return false;
    ForBand([&](int y, const MixRows& rows, int x0, int x1) {
      line_.resize(rect_.width());
      SolveRow(rows, view_.noise.terms, x1 - x0, line_.data());
      float* alpha = alpha_.row(y);
      for (int x = x0; x < x1; ++x) {
        if (InBand(x, y)) alpha[x] = line_[x - x0];
      }
    });
    return true;
  }

  bool InBand(int x, int y) const { return !(view_.sure.row(y - rect_.y0)[x] | core_.row(y - rect_.y0)[x]); }

  template <class Use>
  void ForBand(const Use& use) {
    ForegroundLines lines(FieldGrid(rect_), model_);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      bool enlarged = false;
      ForegroundRows foreground;
      ForStretches(
          rect_.width(), [&](int x) { return InBand(x, y); },
          [&](int x0, int x1) {
            if (!enlarged) foreground = lines.Row(y);
            enlarged = true;
            use(y, RowsFrom(color_, view_.screen, foreground, y, x0), x0, x1);
          });
    }
  }

  const ScreenView& view_;
  const AxisKeys& keys_;
  Bitmap core_;
  const Rect rect_;
  // The matte so far.
  Plane alpha_;
  // What neither screen nor core was at the start.
  Bitmap band_;
  // view.color denoised in that band.
  Rgb color_;
  Plane evidence_;
  ForegroundModel model_;
  std::vector<float> line_;
};

}  // namespace

std::optional<Unmixed> SolveBand(const ScreenView& view, const AxisKeys& keys, const Bitmap& core,
                                 const Bitmap& given, const BandRules& rules, const std::function<bool()>& stopped) {
  BandSolver solver(view, keys, core);
  const double scale = KeyScale(view.color[0].rect());
  const double least = kLeastCore * scale * scale;
  const size_t found = core.Count(), drawn = given.Count();
  const bool known = static_cast<double>(found) >= least || static_cast<double>(drawn) >= least;
  // Without any core but what is given, that is where all begins.
  if (static_cast<double>(found) < least) solver.AddToCore(given);
  if (known && !solver.Solve(rules.fill, stopped)) return std::nullopt;
  if (known && drawn > 0 && !solver.SolveWith(given, stopped)) return std::nullopt;
  Unmixed out;
  if (rules.variance) out.variance = known ? solver.Variance() : solver.Unknown();
  out.alpha = std::move(solver.alpha());
  return out;
}

}  // namespace selvage
