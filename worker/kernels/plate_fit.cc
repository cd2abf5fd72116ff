#include "worker/kernels/plate_fit.h"

#include <algorithm>
#include <cmath>

#include "worker/kernels/grid.h"
#include "worker/kernels/pull_push.h"

namespace selvage {
namespace {

constexpr int kRounds = 3, kReweightings = 5;
// Samples that a polynomial is fitted to.
constexpr double kSamples = 8192;
constexpr int kMostTerms = 10;
// What the polynomial leaves is smoothed by some 2 pixels: a Gaussian of 0.9
// cells, the cells themselves and the way back up.
constexpr int kCell = 2;
constexpr double kSmooth = 0.9;
constexpr float kCoverage = 0.1f;

// Places at which polynomials are fitted: 1, u, v, u2, uv, v2, ... by degree at
// each, u and v -1..1 over the picture.
class Places {
 public:
  Places(const Rect& rect, int degree) : rect_(rect), degree_(degree), terms_((degree + 1) * (degree + 2) / 2) {}
  void Add(int x, int y) {
    const double u = U(x), v = V(y);
    for (int d = 0; d <= degree_; ++d) {
      for (int j = 0; j <= d; ++j) values_.push_back(Power(u, d - j) * Power(v, j));
    }
  }
  double U(int x) const { return (2.0 * (x - rect_.x0) + 1) / rect_.width() - 1; }
  double V(int y) const { return (2.0 * (y - rect_.y0) + 1) / rect_.height() - 1; }
  static double Power(double x, int n) { return n == 0 ? 1.0 : n == 1 ? x : n == 2 ? x * x : x * x * x; }

  const Rect& rect() const { return rect_; }
  int degree() const { return degree_; }
  int terms() const { return terms_; }
  size_t count() const { return values_.size() / terms_; }
  const double* at(size_t i) const { return values_.data() + i * terms_; }

 private:
  Rect rect_;
  int degree_, terms_;
  std::vector<double> values_;
};

class Surface {
 public:
  // The same value everywhere.
  void Set(double value) {
    std::fill_n(coefficients_, kMostTerms, 0.0);
    degree_ = 0;
    coefficients_[0] = low_ = high_ = value;
  }

  // Least squares under Cauchy's weights, 1 / (1 + (rest / scale)^2), the scale
  // twice the deviation of the rests. REQUIRES: places.
  void Fit(const Places& places, const std::vector<float>& values) {
    degree_ = places.degree();
    std::vector<double> weight(values.size(), 1.0);
    std::vector<float> rest(values.size()), sorted;
    for (int round = 0; round < kReweightings; ++round) {
      Solve(places, values, weight);
      for (size_t i = 0; i < values.size(); ++i) rest[i] = std::abs(values[i] - static_cast<float>(At(places, i)));
      sorted = rest;
      const auto middle = sorted.begin() + static_cast<ptrdiff_t>(sorted.size() / 2);
      std::nth_element(sorted.begin(), middle, sorted.end());
      const double scale = std::max(2 * 1.4826 * *middle, 1e-6), inverse = 1 / (scale * scale);
      for (size_t i = 0; i < values.size(); ++i) weight[i] = 1 / (1 + inverse * rest[i] * rest[i]);
    }
    // Elsewhere it stays within what it is at the samples.
    low_ = high_ = At(places, 0);
    for (size_t i = 0; i < values.size(); ++i) {
      const double value = At(places, i);
      low_ = std::min(low_, value), high_ = std::max(high_, value);
    }
  }

  void Row(const Places& places, int y, float* to) const {
    // A polynomial of u alone.
    double along[4] = {};
    const double v = places.V(y);
    const int width = places.rect().width();
    for (int d = 0, k = 0; d <= degree_; ++d) {
      for (int j = 0; j <= d; ++j, ++k) along[d - j] += coefficients_[k] * Places::Power(v, j);
    }
    const float c0 = static_cast<float>(along[0]), c1 = static_cast<float>(along[1]),
                c2 = static_cast<float>(along[2]), c3 = static_cast<float>(along[3]);
    const float low = std::max(static_cast<float>(low_), kDarkestScreen), high = std::max(static_cast<float>(high_), low);
    const float step = 2.0f / static_cast<float>(width), first = 0.5f * step - 1.0f;
    for (int x = 0; x < width; ++x) {
      const float u = first + static_cast<float>(x) * step;
      float value = c0 + u * (c1 + u * (c2 + u * c3));
      value = value > low ? value : low;
      to[x] = value < high ? value : high;
    }
  }

 private:
  double At(const Places& places, size_t i) const {
    const double* t = places.at(i);
    double sum = 0;
    for (int k = 0; k < places.terms(); ++k) sum += coefficients_[k] * t[k];
    return sum;
  }

  // Normal equations by Cholesky's way; a ridge of 1e-9 keeps them solvable
  // where all samples lie on a line.
  void Solve(const Places& places, const std::vector<float>& values, const std::vector<double>& weight) {
    const int terms = places.terms();
    double m[kMostTerms][kMostTerms] = {}, b[kMostTerms] = {};
    for (size_t i = 0; i < values.size(); ++i) {
      const double* t = places.at(i);
      for (int j = 0; j < terms; ++j) {
        const double w = weight[i] * t[j];
        for (int k = 0; k <= j; ++k) m[j][k] += w * t[k];
        b[j] += w * values[i];
      }
    }
    const double ridge = 1e-9 * m[0][0];
    for (int j = 0; j < terms; ++j) {
      m[j][j] += ridge;
      for (int k = 0; k <= j; ++k) {
        double sum = m[j][k];
        for (int i = 0; i < k; ++i) sum -= m[j][i] * m[k][i];
        m[j][k] = k == j ? std::sqrt(std::max(sum, 1e-30)) : sum / m[k][k];
      }
    }
    for (int j = 0; j < terms; ++j) {
      for (int k = 0; k < j; ++k) b[j] -= m[j][k] * b[k];
      b[j] /= m[j][j];
    }
    for (int j = terms; j-- > 0;) {
      for (int k = j + 1; k < terms; ++k) b[j] -= m[k][j] * b[k];
      b[j] /= m[j][j];
    }
    std::copy_n(b, terms, coefficients_);
  }

  int degree_ = 0;
  double coefficients_[kMostTerms] = {};
  double low_ = 0, high_ = 0;
};

class Fitting {
 public:
  Fitting(const std::vector<PlateFrame>& frames, const std::array<float, 3>& color, int degree)
      : frames_(frames), color_(color), degree_(degree), rect_(frames[0].color[0].rect()),
        plate_{Plane(rect_), Plane(rect_), Plane(rect_)},
        space_(rect_, degree) {}

  std::optional<Rgb> Run(const std::function<bool()>& stopped) {
    for (const PlateFrame& frame : frames_) sure_.push_back(ByColor(frame));
    FitSurfaces();
    for (size_t i = 0; i < frames_.size(); ++i) KeepAlike(frames_[i], &sure_[i]);
    for (int round = 0; round < kRounds; ++round) {
      if (stopped()) return std::nullopt;
      if (round > 0) {
        const ScreenNoise noise = MeasureScreenNoise(frames_[0].color, plate_, &sure_[0]);
        for (size_t i = 0; i < frames_.size(); ++i) {
          sure_[i] = Opened(FindBareScreen(frames_[i].color, plate_, noise, kSureDistance).found, 1);
          Correct(frames_[i], &sure_[i]);
        }
      }
      FitSurfaces();
      // Thin things of low alpha would be taken for wrinkles.
      std::vector<Bitmap> inner;
      for (const Bitmap& sure : sure_) inner.push_back(Eroded(sure, 3));
      if (!AddRest(inner, stopped)) return std::nullopt;
    }
    return std::move(plate_);
  }

 private:
  static void Correct(const PlateFrame& frame, Bitmap* sure) {
    std::vector<uint8_t>& bits = sure->bits();
    for (size_t i = 0; i < bits.size(); ++i) bits[i] = (bits[i] | frame.bare.bits()[i]) & (1 ^ frame.cover.bits()[i]);
  }

  // Chromaticity within 0.06 of the screen's and not dark.
  Bitmap ByColor(const PlateFrame& frame) const {
    const Rgb soft{Blurred(frame.color[0], 1), Blurred(frame.color[1], 1), Blurred(frame.color[2], 1)};
    const float total = color_[0] + color_[1] + color_[2];
    const float r0 = color_[0] / total, g0 = color_[1] / total;
    const float dark = 0.3f * std::max({color_[0], color_[1], color_[2]});
    Bitmap found(rect_.width(), rect_.height());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const float *r = soft[0].row(y), *g = soft[1].row(y), *b = soft[2].row(y);
      uint8_t* to = found.row(y - rect_.y0);
      for (int x = 0; x < rect_.width(); ++x) {
        const float sum = r[x] + g[x] + b[x];
        // Without dividing: |(r / sum - r0, g / sum - g0)| < 0.06.
        const float dr = r[x] - r0 * sum, dg = g[x] - g0 * sum, reach = 0.06f * sum;
        const float rg = r[x] > g[x] ? r[x] : g[x], most = rg > b[x] ? rg : b[x];
        to[x] = dr * dr + dg * dg < reach * reach && most > dark;
      }
    }
    found = Eroded(found, 1);
    Correct(frame, &found);
    return found;
  }

  // Along the screen's axis within a quarter of the polynomial plate.
  void KeepAlike(const PlateFrame& frame, Bitmap* sure) {
    const float grey = (color_[0] + color_[1] + color_[2]) / 3;
    const float u[3] = {color_[0] - grey, color_[1] - grey, color_[2] - grey};
    std::vector<float> signal(rect_.width()), of_screen(signal), tint(signal);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      float* const s[3] = {plate_[0].row(y), plate_[1].row(y), plate_[2].row(y)};
      for (int c = 0; c < 3; ++c) surfaces_[c].Row(space_, y, s[c]);
      const float* const from[3] = {frame.color[0].row(y), frame.color[1].row(y), frame.color[2].row(y)};
      AxisRow(from, s, u, 1e-9f, signal.size(), signal.data(), of_screen.data(), tint.data());
      uint8_t* to = sure->row(y - rect_.y0);
      for (int x = 0; x < rect_.width(); ++x) to[x] &= std::abs(signal[x] - of_screen[x]) < 0.25f * of_screen[x];
    }
    Correct(frame, sure);
  }

  void FitSurfaces() {
    const double all = static_cast<double>(rect_.area()) * static_cast<double>(frames_.size());
    const int step = std::max(2, static_cast<int>(std::sqrt(all / kSamples)));
    Places places(rect_, degree_);
    std::vector<float> values[3];
    for (size_t i = 0; i < frames_.size(); ++i) {
      for (int y = rect_.y0; y < rect_.y1; y += step) {
        const uint8_t* sure = sure_[i].row(y - rect_.y0);
        for (int x = rect_.x0; x < rect_.x1; x += step) {
          if (!sure[x - rect_.x0]) continue;
          places.Add(x, y);
          for (int c = 0; c < 3; ++c) values[c].push_back(frames_[i].color[c].at(x, y));
        }
      }
    }
    for (int c = 0; c < 3; ++c) {
      // A few samples carry no surface.
      if (values[c].size() < 50) {
        surfaces_[c].Set(color_[c]);
      } else {
        surfaces_[c].Fit(places, values[c]);
      }
    }
  }

  // plate_ = polynomial + what is left of the screen, smoothed and spread.
  bool AddRest(const std::vector<Bitmap>& inner, const std::function<bool()>& stopped) {
    const int width = rect_.width();
    const Grid grid{rect_, kCell};
    CellSums sums(grid, 4);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      float* const* to = sums.Rows(y);
      float* __restrict weight = to[3];
      for (int c = 0; c < 3; ++c) surfaces_[c].Row(space_, y, plate_[c].row(y));
      for (size_t i = 0; i < frames_.size(); ++i) {
        const uint8_t* sure = inner[i].row(y - rect_.y0);
        for (int c = 0; c < 3; ++c) {
          const float *color = frames_[i].color[c].row(y), *surface = plate_[c].row(y);
          float* __restrict rest = to[c];
          for (int x = 0; x < width; ++x) rest[x] += sure[x] ? color[x] - surface[x] : 0.0f;
        }
        for (int x = 0; x < width; ++x) weight[x] += static_cast<float>(sure[x]);
      }
    }
    sums.Finish();
    std::vector<Plane>& cells = sums.planes();
    const Plane weight = Blurred(cells[3], kSmooth);
    std::vector<Plane> rest;
    for (int c = 0; c < 3; ++c) rest.push_back(Blurred(cells[c], kSmooth));
    Plane known(grid.cells());
    for (int Y = 0; Y < known.rect().y1; ++Y) {
      const float* w = weight.row(Y);
      float* k = known.row(Y);
      for (int X = 0; X < known.rect().x1; ++X) k[X] = w[X] > kCoverage * kCell * kCell ? 1.0f : 0.0f;
      for (Plane& plane : rest) {
        float* v = plane.row(Y);
        for (int X = 0; X < known.rect().x1; ++X) v[X] = k[X] > 0 ? v[X] / w[X] : 0.0f;
      }
    }
    if (!PullPush(known, &rest, stopped)) return false;
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      for (int c = 0; c < 3; ++c) {
        enlarger.Row(rest[c], y, line.data());
        float* to = plate_[c].row(y);
        for (int x = 0; x < width; ++x) {
          const float v = to[x] + line[x];
          to[x] = v > kDarkestScreen ? v : kDarkestScreen;
        }
      }
    }
    return true;
  }

  const std::vector<PlateFrame>& frames_;
  const std::array<float, 3> color_;
  const int degree_;
  const Rect rect_;
  Rgb plate_;
  std::vector<Bitmap> sure_;
  const Places space_;
  Surface surfaces_[3];
};

}  // namespace

std::optional<Rgb> FitPlate(const std::vector<PlateFrame>& frames, const std::array<float, 3>& color, int degree,
                            const std::function<bool()>& stopped) {
  return Fitting(frames, color, degree).Run(stopped);
}

}  // namespace selvage
