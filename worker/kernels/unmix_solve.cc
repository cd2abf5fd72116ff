#include "worker/kernels/unmix_solve.h"

#include <algorithm>
#include <cmath>

namespace selvage {
namespace {

// Fewer pixels of core (at 360 lines) tell nothing about the foreground.
constexpr double kLeastCore = 50;
// Pixels that are solved together: a full vector on any machine.
constexpr int kTogether = 16;

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

std::vector<Plane> SamplesUnder(const ScreenView& view, const Rgb& color, const Plane& alpha) {
  const Rect& rect = alpha.rect();
  ForegroundModel::Samples samples(FieldGrid(rect));
  std::vector<float> lines(4 * static_cast<size_t>(rect.width()));
  float* const weight = lines.data();
  float* const y3[3] = {weight + rect.width(), weight + 2 * rect.width(), weight + 3 * rect.width()};
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* const c[3] = {color[0].row(y), color[1].row(y), color[2].row(y)};
    const float* const s[3] = {view.screen[0].row(y), view.screen[1].row(y), view.screen[2].row(y)};
    SamplesRow(c, s, alpha.row(y), rect.width(), weight, y3);
    samples.Add(y, weight, y3, rect.width());
  }
  return samples.Finish();
}

class BandSolver {
 public:
  BandSolver(const ScreenView& view, const Rgb& color, const Plane& key, const Bitmap& core)
      : view_(view), color_(color), core_(core), rect_(key.rect()), alpha_(rect_), solid_(rect_) {
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t *sure = view.sure.row(y - rect_.y0), *in_core = core.row(y - rect_.y0);
      const float* k = key.row(y);
      float *alpha = alpha_.row(y), *solid = solid_.row(y);
      for (int x = 0; x < rect_.width(); ++x) {
        float value = k[x] > 0.0f ? k[x] : 0.0f;
        value = value < 1.0f ? value : 1.0f;
        solid[x] = in_core[x] ? 1.0f : 0.0f;
        alpha[x] = in_core[x] ? 1.0f : sure[x] ? 0.0f : value;
      }
    }
  }

  // Models from the core alone, then from the matte that they give.
  bool Solve(const std::function<bool()>& stopped) {
    for (const bool refit : {false, true}) {
      if (!model_.Build(view_, SamplesUnder(view_, color_, refit ? alpha_ : solid_), alpha_, core_, stopped)) return false;
      ForBand([&](int y, const MixRows& rows, int x0, int x1) {
        std::vector<float>& line = line_;
        line.resize(rect_.width());
        SolveRow(rows, view_.noise.terms, x1 - x0, line.data());
        float* alpha = alpha_.row(y);
        for (int x = x0; x < x1; ++x) {
          if (InBand(x, y)) alpha[x] = line[x - x0];
        }
      });
    }
    return true;
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
  const Rgb& color_;
  const Bitmap& core_;
  const Rect rect_;
  // The matte so far, and the core as one.
  Plane alpha_, solid_;
  ForegroundModel model_;
  std::vector<float> line_;
};

}  // namespace

std::optional<Unmixed> SolveBand(const ScreenView& view, const Rgb& denoised, const Plane& key, const Bitmap& core,
                                 bool with_variance, const std::function<bool()>& stopped) {
  BandSolver solver(view, denoised, key, core);
  const Rect& rect = key.rect();
  const double scale = KeyScale(rect);
  const bool known = static_cast<double>(core.Count()) >= kLeastCore * scale * scale;
  if (known && !solver.Solve(stopped)) return std::nullopt;
  Unmixed out;
  if (with_variance) out.variance = known ? solver.Variance() : solver.Unknown();
  out.alpha = std::move(solver.alpha());
  return out;
}

std::optional<Rgb> RecoverForeground(const ScreenView& view, const Plane& alpha, const std::function<bool()>& stopped) {
  const Rect& rect = alpha.rect();
  Bitmap core(rect.width(), rect.height());
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* a = alpha.row(y);
    for (int x = 0; x < rect.width(); ++x) core.row(y - rect.y0)[x] = a[x] >= 1.0f;
  }
  ForegroundModel model;
  if (!model.Build(view, SamplesUnder(view, view.color, alpha), alpha, core, stopped)) return std::nullopt;
  ForegroundLines lines(FieldGrid(rect), model);
  Rgb out{Plane(rect), Plane(rect), Plane(rect)};
  for (int y = rect.y0; y < rect.y1; ++y) {
    const ForegroundRows foreground = lines.Row(y);
    const float* a = alpha.row(y);
    for (int c = 0; c < 3; ++c) {
      float* to = out[c].row(y);
      for (int x = 0; x < rect.width(); ++x) to[x] = a[x] >= 1.0f ? view.color[c].row(y)[x] : std::max(0.0f, foreground.mean[c][x]);
    }
    ForStretches(
        rect.width(), [&](int x) { return a[x] > 0.0f && a[x] < 1.0f; },
        [&](int x0, int x1) {
          // Whole stretches, then the core again as it was.
          float* const to[3] = {out[0].row(y) + x0, out[1].row(y) + x0, out[2].row(y) + x0};
          RecoverRow(RowsFrom(view.color, view.screen, foreground, y, x0), view.noise.terms, a + x0, x1 - x0, to);
          for (int x = x0; x < x1; ++x) {
            for (int c = 0; c < 3 && a[x] >= 1.0f; ++c) to[c][x - x0] = view.color[c].row(y)[x];
          }
        });
  }
  return out;
}

}  // namespace selvage
