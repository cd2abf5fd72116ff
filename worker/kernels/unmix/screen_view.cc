#include "worker/kernels/unmix/screen_view.h"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "absl/strings/str_cat.h"
#include "worker/kernels/geometry/bit_rows.h"
#include "worker/kernels/geometry/cell_bits.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/middle.h"
#include "worker/kernels/unmix/shadows.h"

namespace selvage::worker {
namespace {

// Enough for medians and correlations to within a percent.
constexpr double kSamples = 16384;
// A median absolute deviation times this is the standard deviation (of a normal
// distribution; its 75 % point is 0.6745).
constexpr double kMad = 1.4826;
// Fewer sure samples than this tell nothing about noise.
constexpr size_t kLeastSamples = 64;

// Screen in another light: squared distance of its hue (two degrees of freedom,
// 0.3 % of bare screen is further off), how true the plate's hue is, and the
// lights that are likely. Change of light over 4 pixels at 360 lines.
constexpr float kAlike = 12, kHueError = 0.012f, kDarkestShade = 0.35f, kBrightestLight = 1.6f;
constexpr double kSlow = 0.6;
// Share of a part of bare screen that is in the plate's own light.
constexpr double kLit = 0.1;

struct NoiseSample {
  float screen[3], rest[3], mean[3];
};

NoiseSample SampleAt(const ColorRows& color, const ColorRows& screen, int x, int y) {
  NoiseSample sample;
  for (int c = 0; c < 3; ++c) {
    float sum = 0;
    for (int j = -1; j <= 1; ++j) {
      const std::array<float, 3> seen = color.Three(c, x, y + j), bare = screen.Three(c, x, y + j);
      if (j == 0) sample.screen[c] = bare[1], sample.rest[c] = seen[1] - bare[1];
      for (int i = 0; i < 3; ++i) sum += seen[i] - bare[i];
    }
    sample.mean[c] = sum * (1.0f / 9);
  }
  return sample;
}

// Before the noise is known: within 15 % of the screen.
bool LooksLikeScreen(const NoiseSample& sample) {
  float off = 0, light = 0;
  for (int c = 0; c < 3; ++c) off += std::abs(sample.mean[c]), light += sample.screen[c];
  return off < 0.15f * light;
}

float SquaredDistance(const NoiseSample& sample, const ScreenNoise& noise) {
  float sum = 0;
  for (int c = 0; c < 3; ++c) {
    const float s = sample.screen[c], model = kPlateError * s;
    sum +=
        sample.mean[c] * sample.mean[c] / (noise.share_of_mean * (noise.terms.a * s + noise.terms.b) + model * model);
  }
  return sum;
}

// a, b >= 0 that best give the three variances, relative to them.
void FitLine(const double level[3], const double variance[3], NoiseTerms* terms) {
  const double least = *std::min_element(variance, variance + 3);
  double sxx = 0, sx = 0, s = 0, tx = 0, t = 0;
  for (int c = 0; c < 3; ++c) {
    const double w = 1 / variance[c];
    sxx += level[c] * w * level[c] * w, sx += level[c] * w * w, s += w * w;
    tx += level[c] * w, t += w;
  }
  const double det = sxx * s - sx * sx;
  double a = det > 1e-12 * sxx * s ? (tx * s - t * sx) / det : 0;
  double b = (t - a * sx) / s;
  if (a < 0) a = 0, b = t / s;
  if (b < 0.1 * least) {
    b = 0.1 * least;
    a = std::max(0.0, (tx - b * sx) / sxx);
  }
  terms->a = static_cast<float>(a);
  terms->b = static_cast<float>(b);
}

// Deviations of what is now taken for screen, channel by channel.
void FitNoise(const std::vector<NoiseSample>& samples, ScreenNoise* noise) {
  double level[3], variance[3], share = 0;
  std::vector<float> rest(samples.size()), mean(samples.size());
  for (int c = 0; c < 3; ++c) {
    double sum = 0;
    for (size_t i = 0; i < samples.size(); ++i) {
      sum += samples[i].screen[c];
      rest[i] = std::abs(samples[i].rest[c]);
      mean[i] = std::abs(samples[i].mean[c]);
    }
    level[c] = sum / static_cast<double>(samples.size());
    const double deviation = kMad * MiddleOf(rest), of_mean = kMad * MiddleOf(mean);
    // Halves round by up to 2^-11 of their value.
    const double floor = 2.5e-4 * level[c];
    variance[c] = std::max(deviation * deviation, floor * floor);
    share += std::clamp(of_mean * of_mean / variance[c], 1.0 / 9, 1.0 / 3) / 3;
  }
  FitLine(level, variance, &noise->terms);
  noise->share_of_mean = static_cast<float>(share);
}

// Correlations between channels, each residual held within 3 deviations.
void FitCorrelation(const std::vector<NoiseSample>& samples, NoiseTerms* terms) {
  double square[3] = {}, product[3] = {};
  for (const NoiseSample& sample : samples) {
    double r[3];
    for (int c = 0; c < 3; ++c) {
      const double most = 3 * std::sqrt(terms->a * sample.screen[c] + terms->b);
      r[c] = std::clamp<double>(sample.rest[c], -most, most);
      square[c] += r[c] * r[c];
    }
    product[0] += r[0] * r[1], product[1] += r[0] * r[2], product[2] += r[1] * r[2];
  }
  const int first[] = {0, 0, 1}, second[] = {1, 2, 2};
  for (int k = 0; k < 3; ++k) {
    const double scale = std::sqrt(square[first[k]] * square[second[k]]);
    // Short of 1, so that the covariance keeps an inverse.
    terms->correlation[k] = scale > 0 ? static_cast<float>(std::clamp(product[k] / scale, -0.45, 0.95)) : 0;
  }
}

// Sums of three rows of color - screen, one row after the other, and the screen's rows.
class ColumnSums {
 public:
  ColumnSums(const ColorRows& color, const ColorRows& screen, const LookAtRows& look)
      : color_(color), screen_(screen), look_(look), rect_(color.rect()) {
    for (auto& row : line_) row.resize(rect_.width());
    for (auto& row : rest_) row.resize(3 * static_cast<size_t>(rect_.width()));
    for (auto& row : lines_) row.resize(3 * static_cast<size_t>(rect_.width()));
    for (auto& row : sums_) row.resize(rect_.width() + size_t{2});
    Subtract(rect_.y0);
  }
  // REQUIRES: rows in order.
  DistanceInputs Row(int y) {
    DistanceInputs in;
    if (y + 1 < rect_.y1) Subtract(y + 1);
    const int width = rect_.width();
    const float *above = Rest(std::max(y - 1, rect_.y0)), *here = Rest(y), *below = Rest(std::min(y + 1, rect_.y1 - 1));
    for (int c = 0; c < 3; ++c) {
      float* sum = sums_[c].data() + 1;
      const ptrdiff_t at = static_cast<ptrdiff_t>(c) * width;
      AddThreeRow(here + at, above + at, below + at, width, sum);
      sum[-1] = sum[0];
      sum[width] = sum[width - 1];
      in.columns[c] = sum;
      in.screen[c] = read_[Slot(y)][c];
    }
    return in;
  }

 private:
  int Slot(int y) const { return (y - rect_.y0) % 3; }
  float* Rest(int y) { return rest_[Slot(y)].data(); }
  void Subtract(int y) {
    const int width = rect_.width();
    const float *color[3], **screen = read_[Slot(y)];
    for (int c = 0; c < 3; ++c) {
      const ptrdiff_t at = static_cast<ptrdiff_t>(c) * width;
      color[c] = color_.Row(c, y, 0, width, line_[c].data());
      screen[c] = screen_.Row(c, y, 0, width, lines_[Slot(y)].data() + at);
      MinusRow(color[c], screen[c], width, Rest(y) + at);
    }
    if (look_) look_(color, screen);
  }
  const ColorRows &color_, &screen_;
  const LookAtRows& look_;
  Rect rect_;
  std::vector<float> line_[3], rest_[3], lines_[3], sums_[3];
  const float* read_[3][3] = {};
};

// Calls use(y, inputs) for every row.
template <class Use>
void ForDistances(const ColorRows& color, const ColorRows& screen, const LookAtRows& look, const Use& use) {
  ColumnSums sums(color, screen, look);
  for (int y = color.rect().y0; y < color.rect().y1; ++y) use(y, sums.Row(y));
}

// A shadow begins at lit screen. What nothing lit goes over into is something that
// mirrors the screen; a bridge of a pixel or two does not count.
void KeepLit(const Bitmap& lit, Bitmap* found) {
  const Bitmap inner = Eroded(*found, 1);
  const Parts parts = ConnectedParts(inner.bits(), inner.width(), inner.height(), Neighbours::kFour);
  std::vector<int64_t> count(parts.parts.size());
  for (const PartRun& run : parts.runs) {
    count[run.part] += CountRow(lit.row(run.y) + run.x0, run.x1 - run.x0);
  }
  Bitmap kept(inner.width(), inner.height());
  for (const PartRun& run : parts.runs) {
    if (static_cast<double>(count[run.part]) < kLit * static_cast<double>(parts.parts[run.part].area)) continue;
    std::fill(kept.row(run.y) + run.x0, kept.row(run.y) + run.x1, 1);
  }
  kept = Grown(kept, 1);
  AddBitsRow(lit.row(0), lit.bits().size(), kept.row(0));
  KeepBitsRow(kept.row(0), kept.bits().size(), found->row(0));
}

bool AnyIn(const Bitmap& bits, const Rect& part) {
  for (int y = part.y0; y < part.y1; ++y) {
    if (std::memchr(bits.row(y) + part.x0, 1, part.width())) return true;
  }
  return false;
}

// Lee's filter, a tile at a time: all that it reads and writes stays near.
class TileDenoiser {
 public:
  static constexpr int kWidth = 128, kHeight = 32;

  TileDenoiser(const ColorRows& color, const NoiseTerms& noise)
      : color_(color),
        noise_(noise),
        weights_(GaussianWeights(kSigma)),
        radius_(GaussianRadius(kSigma)),
        column_(kWidth + size_t{2}) {}

  void Tile(const Rect& tile, Rgb* out) {
    const Rect& rect = color_.rect();
    // Roughness is needed one pixel further out.
    const Rect wide = tile.Grow(1).Intersect(rect), source = wide.Grow(radius_);
    Rgb here, mean;
    for (int c = 0; c < 3; ++c) {
      Plane& padded = here[c] = Plane(source);
      const int before = std::max(rect.x0 - source.x0, 0), after = std::max(source.x1 - rect.x1, 0);
      for (int y = source.y0; y < source.y1; ++y) {
        float* to = padded.row(y);
        const int x0 = source.x0 + before - rect.x0, count = source.width() - before - after;
        const float* from = color_.Row(c, std::clamp(y, rect.y0, rect.y1 - 1), x0, x0 + count, to + before);
        if (from != to + before) std::copy_n(from, count, to + before);
        std::fill_n(to, before, to[before]);
        std::fill_n(to + (before + count), after, to[before + count - 1]);
      }
      mean[c] = Plane(wide);
      GaussianBlur(padded, wide, weights_, &mean[c]);
    }
    Plane rough(wide);
    const float *c[3], *m[3];
    for (int y = wide.y0; y < wide.y1; ++y) {
      for (int k = 0; k < 3; ++k) c[k] = here[k].row(y) + (wide.x0 - source.x0), m[k] = mean[k].row(y);
      RoughnessRow(c, m, noise_.a, noise_.b, wide.width(), rough.row(y));
    }
    const int skip = tile.x0 - wide.x0;
    for (int y = tile.y0; y < tile.y1; ++y) {
      // Beyond the picture the roughness repeats.
      float* column = column_.data() + 1;
      AddThreeRow(rough.row(y), rough.row(std::max(y - 1, wide.y0)), rough.row(std::min(y + 1, wide.y1 - 1)),
                  wide.width(), column - skip);
      if (skip == 0) column[-1] = column[0];
      if (wide.x1 == tile.x1) column[tile.width()] = column[tile.width() - 1];
      float* to[3];
      for (int k = 0; k < 3; ++k) {
        c[k] = here[k].row(y) + (tile.x0 - source.x0);
        to[k] = (*out)[k].row(y) + (tile.x0 - rect.x0);
        std::copy_n(mean[k].row(y) + skip, tile.width(), to[k]);
      }
      ShrinkRow(column, c, to, tile.width());
    }
  }

 private:
  static constexpr double kSigma = 0.6;
  const ColorRows& color_;
  const NoiseTerms noise_;
  const std::vector<float> weights_;
  const int radius_;
  std::vector<float> column_;
};

}  // namespace

// Times the root of 2, so that what comes out is between 0.35 and 0.71.
float NearHalf(float level) { return std::ldexp(1.0f, -std::ilogb(level * 1.41421356f) - 1); }

Rgb FiniteRgb(const Picture& picture, const Rect& rect, float gain, float least) {
  Rgb out{Plane(rect), Plane(rect), Plane(rect)};
  for (int c = 0; c < 3; ++c) {
    for (int y = rect.y0; y < rect.y1; ++y) {
      FiniteRow(picture.planes[c].row(y), gain, least, rect.width(), out[c].row(y));
    }
  }
  return out;
}

Grid FieldGrid(const Rect& rect) {
  int factor = 2;
  while (factor < 16 && factor * 360 <= rect.height()) factor *= 2;
  return {rect, factor};
}

Grid CoreGrid(const Rect& rect) { return {rect, FieldGrid(rect).factor / 2}; }

std::array<float, 3> MeanOfRows(const Picture& plate, const Rect& rect, int step) {
  std::array<float, 3> mean;
  for (int c = 0; c < 3; ++c) {
    std::vector<float> row(rect.width());
    double total = 0;
    int rows = 0;
    for (int y = rect.y0; y < rect.y1; y += step, ++rows) {
      FiniteRow(plate.planes[c].row(y), 1, kDarkestScreen, row.size(), row.data());
      double sum = 0;
      for (float v : row) sum += v;
      total += sum;
    }
    mean[c] = static_cast<float>(total / (static_cast<double>(rect.width()) * rows));
  }
  return mean;
}

Rgb CellColors(const Grid& grid, const ColorRows& color) {
  const int width = grid.fine.width();
  std::vector<float> line(width);
  Rgb means;
  for (int c = 0; c < 3; ++c) {
    means[c] = CellMeans(grid, [&](int y) { return color.Row(c, y, 0, width, line.data()); });
  }
  return means;
}

ScreenNoise MeasureScreenNoise(const ColorRows& color, const ColorRows& screen, const Bitmap* where) {
  const Rect& rect = color.rect();
  // Odd, so that where chroma was halved all places of its grid are met.
  const int step = static_cast<int>(std::ceil(std::sqrt(static_cast<double>(rect.area()) / kSamples))) | 1;
  std::vector<NoiseSample> all, sure;
  double light[3] = {};
  for (int y = rect.y0 + 1; y < rect.y1 - 1; y += step) {
    for (int x = rect.x0 + 1; x < rect.x1 - 1; x += step) {
      if (where && !where->row(y - rect.y0)[x - rect.x0]) continue;
      all.push_back(SampleAt(color, screen, x, y));
      for (int c = 0; c < 3; ++c) light[c] += all.back().screen[c];
    }
  }
  ScreenNoise noise;
  for (int round = 0; round < 4; ++round) {
    sure.clear();
    for (const NoiseSample& sample : all) {
      if (round == 0 ? LooksLikeScreen(sample) : SquaredDistance(sample, noise) < kSureDistance) sure.push_back(sample);
    }
    if (sure.size() < kLeastSamples) {
      const double mean = (light[0] + light[1] + light[2]) / (3 * std::max<double>(1, static_cast<double>(all.size())));
      const float one_percent = static_cast<float>(std::max<double>(0.01 * mean, kDarkestScreen));
      return {{0, one_percent * one_percent, {0, 0, 0}}, 1.0f / 9};
    }
    FitNoise(sure, &noise);
  }
  FitCorrelation(sure, &noise.terms);
  return noise;
}

BareScreen FindBareScreen(const ColorRows& color, const ColorRows& screen, const ScreenNoise& noise, float limit,
                          const LookAtRows& look) {
  const Rect& rect = color.rect();
  const int width = rect.width(), height = rect.height();
  BareScreen bare{Bitmap(width, height), Bitmap(width, height)};
  Plane ratio(rect);
  std::vector<float> distance(width), rest(width);
  const NoiseTerms& terms = noise.terms;
  ForDistances(color, screen, look, [&](int y, const DistanceInputs& in) {
    DistanceRow(in, terms.a, terms.b, noise.share_of_mean, kPlateError, width, distance.data());
    float* q = ratio.row(y);
    ShadeRow(in, terms.a, terms.b, noise.share_of_mean, kHueError, width, q, rest.data());
    BelowRow(distance.data(), limit, width, bare.found.row(y - rect.y0));
    AlikeRow(rest.data(), kAlike, q, kDarkestShade, kBrightestLight, width, bare.alike.row(y - rect.y0));
  });
  // A soft edge of something dark changes faster than a shadow.
  const float slow = static_cast<float>(kSlow / std::max(1.0, KeyScale(rect)));
  std::vector<float> padded(width + size_t{4});
  float* here = padded.data() + 2;
  const Bitmap near = bare.found;
  Bitmap shade(width, height), thin(width, height);
  for (int y = 0; y < height; ++y) {
    const float *above = ratio.row(rect.y0 + std::max(y - 2, 0)),
                *below = ratio.row(rect.y0 + std::min(y + 2, height - 1));
    std::copy_n(ratio.row(rect.y0 + y), width, here);
    here[-2] = here[-1] = here[0];
    here[width] = here[width + 1] = here[width - 1];
    SlowRow(bare.alike.row(y), here, above, below, slow, width, shade.row(y), thin.row(y));
  }
  KeepShadows(color, screen, terms, ratio, near, thin, &shade);
  AddBitsRow(shade.row(0), shade.bits().size(), bare.found.row(0));
  KeepLit(near, &bare.found);
  return bare;
}

Plane ScreenDistance(const ColorRows& color, const ColorRows& screen, const ScreenNoise& noise) {
  const Rect& rect = color.rect();
  Plane out(rect);
  ForDistances(color, screen, nullptr, [&](int y, const DistanceInputs& in) {
    DistanceRow(in, noise.terms.a, noise.terms.b, noise.share_of_mean, kPlateError, rect.width(), out.row(y));
  });
  return out;
}

absl::StatusOr<ScreenView> ViewScreen(const Picture& picture, const Picture& plate, const Rect& rect, float distance) {
  ScreenView view;
  view.mean = MeanOfRows(plate, rect, 4);
  const float most = *std::max_element(view.mean.begin(), view.mean.end());
  const float least = *std::min_element(view.mean.begin(), view.mean.end());
  if (!(most - least > 0.02f * most)) {
    return absl::InvalidArgumentError(absl::StrCat("the clean plate's mean colour (", view.mean[0], ", ", view.mean[1],
                                                   ", ", view.mean[2], ") is grey: there is no hue to key against"));
  }
  view.gain = NearHalf(most);
  for (float& v : view.mean) v *= view.gain;
  const float grey = (view.mean[0] + view.mean[1] + view.mean[2]) / 3;
  float length = 0;
  for (int c = 0; c < 3; ++c) {
    view.axis[c] = view.mean[c] - grey;
    length += view.axis[c] * view.axis[c];
  }
  for (float& v : view.axis) v /= std::sqrt(length);
  view.color = ColorRows(picture, rect, view.gain, -65504);
  view.screen = ColorRows(plate, rect, view.gain, kDarkestScreen);
  view.noise = MeasureScreenNoise(view.color, view.screen, nullptr);
  const Grid grid = CoreGrid(rect);
  std::vector<CellAverages> cells;
  for (int i = 0; i < 6; ++i) cells.emplace_back(grid);
  const auto look = [&](const float* const color[3], const float* const screen[3]) {
    for (int c = 0; c < 3; ++c) cells[c].Add(color[c]), cells[3 + c].Add(screen[c]);
  };
  BareScreen bare = FindBareScreen(view.color, view.screen, view.noise, distance, look);
  for (int c = 0; c < 3; ++c) view.color_cells[c] = cells[c].Finish(), view.screen_cells[c] = cells[3 + c].Finish();
  // "More than 70 %" of nine are seven.
  view.sure = Crowded(bare.found, 7);
  view.alike = std::move(bare.alike);
  return view;
}

void FromBitmap(const Bitmap& bits, Plane* matte) {
  const Rect& rect = matte->rect();
  for (int y = rect.y0; y < rect.y1; ++y) {
    const uint8_t* from = bits.row(y - rect.y0);
    float* to = matte->row(y);
    for (int x = 0; x < rect.width(); ++x) to[x] = from[x] ? 1.0f : 0.0f;
  }
}

Rgb Denoised(const ColorRows& color, const NoiseTerms& noise, const Bitmap* where) {
  const Rect& rect = color.rect();
  Rgb out{Plane(rect), Plane(rect), Plane(rect)};
  TileDenoiser denoiser(color, noise);
  for (int y = rect.y0; y < rect.y1; y += TileDenoiser::kHeight) {
    for (int x = rect.x0; x < rect.x1; x += TileDenoiser::kWidth) {
      const Rect tile = Rect{x, y, x + TileDenoiser::kWidth, y + TileDenoiser::kHeight}.Intersect(rect);
      if (!where || AnyIn(*where, {tile.x0 - rect.x0, tile.y0 - rect.y0, tile.x1 - rect.x0, tile.y1 - rect.y0}))
        denoiser.Tile(tile, &out);
    }
  }
  return out;
}

}  // namespace selvage::worker
