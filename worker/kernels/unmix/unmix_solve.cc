#include "worker/kernels/unmix/unmix_solve.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "worker/kernels/geometry/bit_rows.h"
#include "worker/kernels/geometry/stretches.h"
#include "worker/kernels/unmix/mix_rows.h"
#include "worker/kernels/unmix/shading_evidence.h"
#include "worker/kernels/unmix/solid_core.h"

namespace selvage::worker {
namespace {

// Fewer pixels of core (at 360 lines) tell nothing about the foreground.
constexpr double kLeastCore = 50;
// Fewer leave brown cloth between white and black half open; more change little.
constexpr int kRounds = 3;
// Alpha from which a pixel of the band teaches the model. A matte that took a dark
// spilled rim for a thin bright one would learn the bright colour from it, and stay.
constexpr float kTeaches = 0.8f;
// Alpha is not to hang on how bright the foreground is elsewhere.
constexpr ForegroundModel::Openness kOpen{0.05f, 0.3f};
// How far about a mask it tells of what is solid, at 360 lines.
constexpr double kNearMask = 48;
// A core below this key, or added to where the matte was below this, is a guess.
constexpr float kSureKey = 0.7f, kSureMatte = 0.9f;

// Samples of the foreground, a stretch of a row at a time.
class Sampler {
 public:
  Sampler(const ColorRows& color, const ColorRows& screen)
      : color_(color),
        screen_(screen),
        rect_(color.rect()),
        sums_(FieldGrid(rect_)),
        lines_(10 * static_cast<size_t>(rect_.width())) {}

  // Under the matte, where `counts`.
  void Add(int y, int x0, int x1, const float* alpha, const uint8_t* counts) {
    float* line[10];
    for (int i = 0; i < 10; ++i) line[i] = lines_.data() + static_cast<ptrdiff_t>(i) * rect_.width();
    const float *c[3], *s[3];
    for (int k = 0; k < 3; ++k)
      c[k] = color_.Row(k, y, x0, x1, line[4 + k]), s[k] = screen_.Row(k, y, x0, x1, line[7 + k]);
    float *const weight = line[0], *const y3[3] = {line[1], line[2], line[3]};
    SamplesRow(c, s, alpha + x0, kTeaches, x1 - x0, weight, y3);
    KeepRow(counts + x0, x1 - x0, weight);
    sums_.Add(y, x0, weight, y3, x1 - x0);
  }
  std::vector<Plane> Finish() { return sums_.Finish(); }

 private:
  const ColorRows color_, screen_;
  const Rect rect_;
  ForegroundModel::Samples sums_;
  std::vector<float> lines_;
};

class BandSolver {
 public:
  BandSolver(const ScreenView& view, const AxisKeys& keys, const Bitmap& core, const BandRules& rules)
      : view_(view),
        rules_(rules),
        keys_(keys),
        core_(core),
        found_(core),
        rect_(view.color.rect()),
        alpha_(rect_),
        band_(rect_.width(), rect_.height()) {
    if (rules.variance) {
      doubt_ = Plane::Filled(rect_, 0);
      doubt_.constant.reset();
    }
    const Grid grid = CoreGrid(rect_);
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t *sure = view_.sure.row(y - rect_.y0), *in_core = core.row(y - rect_.y0);
      uint8_t* open = band_.row(y - rect_.y0);
      enlarger.Row(keys.key, y, line.data());
      float* alpha = alpha_.row(y);
      NeitherRow(sure, in_core, rect_.width(), open);
      KnownRow(sure, in_core, line.data(), rect_.width(), alpha);
      if (rules.variance) NoteGuesses(y, line.data());
    }
    color_ = Denoised(view.color, view.noise.terms, &band_);
  }

  // Models from the core alone, then from the matte that they give and the core
  // that is seen in it.
  bool Solve(const std::function<bool()>& stopped) {
    const std::vector<Plane> of_core = CoreSamples();
    evidence_ = ShadingEvidence(view_);
    for (int round = 0; round < kRounds; ++round) {
      if (!SolveOnce(round == 0 ? Copied(of_core) : WithBand(of_core), stopped)) return false;
      if (round + 1 < kRounds) Harden(FindCoreInMatte(alpha_, keys_, evidence_, core_, view_.sure, rules_.fill, false));
    }
    return true;
  }

  // And once more with more of the core.
  bool SolveWith(const Bitmap& given, const std::function<bool()>& stopped) {
    AddToCore(given);
    ForgetGuesses(given);
    if (!SolveOnce(WithBand(CoreSamples()), stopped)) return false;
    // A mask says more than where it lies: what is joined to it is solid, too, but for what is soft for sure.
    // What was found without it says nothing new.
    Bitmap drawn = given;
    TakeAway(found_, &drawn);
    drawn = Opened(drawn, 1);
    if (drawn.Count() == 0) return true;
    const Bitmap near = Grown(drawn, static_cast<int>(std::lround(kNearMask * KeyScale(rect_))));
    for (int round = 0; round < kRounds; ++round) {
      Bitmap more = FindCoreInMatte(alpha_, keys_, evidence_, core_, view_.sure, rules_.fill, true);
      KeepBitsRow(near.row(0), near.bits().size(), more.row(0));
      Harden(std::move(more));
      if (!SolveOnce(WithBand(CoreSamples()), stopped)) return false;
    }
    return true;
  }

  void AddToCore(const Bitmap& more) {
    const std::vector<float> ones(rect_.width(), 1.0f);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t* added = more.row(y - rect_.y0);
      uint8_t* core = core_.row(y - rect_.y0);
      float* alpha = alpha_.row(y);
      AddBitsRow(added, rect_.width(), core);
      TakeRow(added, ones.data(), rect_.width(), alpha);
    }
  }

  Plane Variance() {
    Plane variance = std::move(doubt_);
    ForBand([&](int y, const MixRows& rows, const uint8_t* open, int x0, int x1) {
      SolveVarianceRow(rows, view_.noise.terms, alpha_.row(y) + x0, x1 - x0, line_.data());
      TakeRow(open + x0, line_.data(), x1 - x0, variance.row(y) + x0);
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
  // Of the core and the islands as they were found.
  void NoteGuesses(int y, const float* key) {
    const uint8_t* core = core_.row(y - rect_.y0);
    const uint8_t* island = rules_.islands ? rules_.islands->row(y - rect_.y0) : nullptr;
    float* doubt = doubt_.row(y);
    for (int x = 0; x < rect_.width(); ++x) {
      const float k = std::clamp(key[x], 0.0f, 1.0f);
      if (core[x] && k < kSureKey) doubt[x] = (1 - k) * (1 - k);
      if (island && island[x]) doubt[x] = k * k;
    }
  }

  // Adds to the core what the matte shows to be solid.
  void Harden(Bitmap found) {
    if (rules_.soft) TakeAway(*rules_.soft, &found);
    for (int y = rect_.y0; rules_.variance && y < rect_.y1; ++y) {
      const uint8_t *core = core_.row(y - rect_.y0), *added = found.row(y - rect_.y0);
      const float* alpha = alpha_.row(y);
      float* doubt = doubt_.row(y);
      for (int x = 0; x < rect_.width(); ++x) {
        const bool guessed = added[x] && !core[x] && alpha[x] < kSureMatte;
        if (guessed) doubt[x] = (1 - alpha[x]) * (1 - alpha[x]);
      }
    }
    AddToCore(found);
  }

  // What is given is no guess.
  void ForgetGuesses(const Bitmap& given) {
    for (int y = rect_.y0; rules_.variance && y < rect_.y1; ++y) {
      const uint8_t* known = given.row(y - rect_.y0);
      for (int x = 0; x < rect_.width(); ++x) {
        if (known[x]) doubt_.row(y)[x] = 0;
      }
    }
  }

  std::vector<Plane> CoreSamples() const {
    // Under a matte of 1 no screen is seen, so any will do.
    Sampler samples(view_.color, view_.color);
    const std::vector<float> solid(rect_.width(), 1.0f);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t* core = core_.row(y - rect_.y0);
      ForStretches(core, rect_.width(), [&](int x0, int x1) { samples.Add(y, x0, x1, solid.data(), core); });
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
      ForStretches(band, rect_.width(), [&](int x0, int x1) { samples.Add(y, x0, x1, alpha_.row(y), band); });
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
    if (!model_.Build(view_, std::move(samples), alpha_, core_, kOpen, stopped)) return false;
    ForBand([&](int y, const MixRows& rows, const uint8_t* open, int x0, int x1) {
      SolveRow(rows, view_.noise.terms, x1 - x0, line_.data());
      TakeRow(open + x0, line_.data(), x1 - x0, alpha_.row(y) + x0);
    });
    return true;
  }

  bool InBand(int x, int y) const { return !(view_.sure.row(y - rect_.y0)[x] | core_.row(y - rect_.y0)[x]); }

  // Stretches with what is in neither screen nor core now.
  template <class Use>
  void ForBand(const Use& use) {
    ForegroundLines lines(FieldGrid(rect_), model_);
    std::vector<uint8_t> open(rect_.width());
    line_.resize(rect_.width());
    std::vector<float> screen[3];
    for (auto& line : screen) line.resize(rect_.width());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      NeitherRow(view_.sure.row(y - rect_.y0), core_.row(y - rect_.y0), open.size(), open.data());
      ForStretches(open.data(), rect_.width(), [&](int x0, int x1) {
        MixRows rows;
        for (int c = 0; c < 3; ++c) {
          rows.color[c] = color_[c].row(y) + x0;
          rows.screen[c] = view_.screen.Row(c, y, x0, x1, screen[c].data());
        }
        rows.foreground = lines.Row(y, x0, x1);
        use(y, rows, open.data(), x0, x1);
      });
    }
  }

  const ScreenView& view_;
  const BandRules rules_;
  const AxisKeys& keys_;
  Bitmap core_;
  // As it was found by the key.
  const Bitmap& found_;
  const Rect rect_;
  // The matte so far.
  Plane alpha_;
  // What neither screen nor core was at the start.
  Bitmap band_;
  // view.color denoised in that band.
  Rgb color_;
  Plane evidence_;
  // See Unmixed::variance: the part that was guessed.
  Plane doubt_;
  ForegroundModel model_;
  std::vector<float> line_;
};

}  // namespace

std::optional<Unmixed> SolveBand(const ScreenView& view, const AxisKeys& keys, const Bitmap& core, const Bitmap& given,
                                 const BandRules& rules, const std::function<bool()>& stopped) {
  BandSolver solver(view, keys, core, rules);
  const double scale = KeyScale(view.color.rect());
  const double least = kLeastCore * scale * scale;
  const size_t found = core.Count(), drawn = given.Count();
  const bool known = static_cast<double>(found) >= least || static_cast<double>(drawn) >= least;
  // Without any core but what is given, that is where all begins.
  if (static_cast<double>(found) < least) solver.AddToCore(given);
  if (known && !solver.Solve(stopped)) return std::nullopt;
  if (known && drawn > 0 && !solver.SolveWith(given, stopped)) return std::nullopt;
  Unmixed out;
  if (rules.variance) out.variance = known ? solver.Variance() : solver.Unknown();
  out.alpha = std::move(solver.alpha());
  out.learnt = known;
  out.needed = static_cast<double>(view.sure.bits().size()) >= least + static_cast<double>(view.sure.Count() + found);
  return out;
}

}  // namespace selvage::worker
