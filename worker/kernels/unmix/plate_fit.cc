#include "worker/kernels/unmix/plate_fit.h"

#include <algorithm>
#include <cmath>

#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/middle.h"
#include "worker/kernels/pixels/pull_push.h"

namespace selvage::worker {
namespace {

constexpr int kRounds = 3;
// Weighings of a polynomial's samples: from nothing, and from the surface of the round before.
constexpr int kReweightings = 5, kAgain = 2;
// Samples that a polynomial is fitted to.
constexpr double kSamples = 8192;
constexpr int kMostDegree = 3;
constexpr int kMostTerms = (kMostDegree + 1) * (kMostDegree + 2) / 2;
// What the polynomial leaves is smoothed by some 2 pixels: a Gaussian of 0.9
// cells, the cells themselves and the way back up.
constexpr int kCell = 2;
constexpr double kSmooth = 0.9;
constexpr float kCoverage = 0.1f;

double Power(double x, int n) { return n == 0 ? 1.0 : n == 1 ? x : n == 2 ? x * x : x * x * x; }

// Places on rows at which polynomials are fitted, u and v -1..1 over the picture.
class Places {
 public:
  struct Row {
    double v;
    size_t begin, end;
  };

  explicit Places(const Rect& rect) : rect_(rect) {}
  void BeginRow(int y) { rows_.push_back({V(y), u_.size(), u_.size()}); }
  void Add(int x) {
    u_.push_back(U(x));
    ++rows_.back().end;
  }
  double U(int x) const { return (2.0 * (x - rect_.x0) + 1) / rect_.width() - 1; }
  double V(int y) const { return (2.0 * (y - rect_.y0) + 1) / rect_.height() - 1; }

  const Rect& rect() const { return rect_; }
  size_t count() const { return u_.size(); }
  const std::vector<Row>& rows() const { return rows_; }
  const double* u() const { return u_.data(); }

 private:
  Rect rect_;
  std::vector<Row> rows_;
  std::vector<double> u_;
};

// Of u and v up to a degree: 1, u, v, u2, uv, v2, ...
class Surface {
 public:
  // The same value everywhere.
  void Set(double value) {
    std::fill_n(coefficients_, kMostTerms, 0.0);
    degree_ = 0;
    coefficients_[0] = low_ = high_ = value;
    fitted_ = false;
  }

  // Least squares under Cauchy's weights, 1 / (1 + (rest / scale)^2), the scale
  // twice the deviation of the rests. REQUIRES: places.
  void Fit(const Places& places, const std::vector<float>& values, int degree) {
    values_at_.resize(values.size());
    weight_.assign(values.size(), 1.0);
    if (fitted_) Weigh(places, values);
    degree_ = degree;
    for (int round = fitted_ ? kAgain : kReweightings; round > 0; --round) {
      Solve(places, values);
      if (round > 1) Weigh(places, values);
    }
    fitted_ = true;
    // Elsewhere it stays within what it is at the samples.
    Evaluate(places);
    const auto [low, high] = std::minmax_element(values_at_.begin(), values_at_.end());
    low_ = *low, high_ = *high;
  }

  void Row(const Places& places, int y, float* to) const {
    double along[kMostDegree + 1];
    Along(places.V(y), along);
    const int width = places.rect().width();
    const float c0 = static_cast<float>(along[0]), c1 = static_cast<float>(along[1]), c2 = static_cast<float>(along[2]),
                c3 = static_cast<float>(along[3]);
    const float low = std::max(static_cast<float>(low_), kDarkestScreen),
                high = std::max(static_cast<float>(high_), low);
    const float step = 2.0f / static_cast<float>(width), first = 0.5f * step - 1.0f;
    for (int x = 0; x < width; ++x) {
      const float u = first + static_cast<float>(x) * step;
      float value = c0 + u * (c1 + u * (c2 + u * c3));
      value = value > low ? value : low;
      to[x] = value < high ? value : high;
    }
  }

 private:
  // Along a row it is a polynomial of u alone.
  void Along(double v, double along[kMostDegree + 1]) const {
    std::fill_n(along, kMostDegree + 1, 0.0);
    for (int d = 0, k = 0; d <= degree_; ++d) {
      for (int j = 0; j <= d; ++j, ++k) along[d - j] += coefficients_[k] * Power(v, j);
    }
  }

  void Evaluate(const Places& places) {
    const double* u = places.u();
    for (const Places::Row& row : places.rows()) {
      double a[kMostDegree + 1];
      Along(row.v, a);
      for (size_t i = row.begin; i < row.end; ++i) {
        values_at_[i] = static_cast<float>(a[0] + u[i] * (a[1] + u[i] * (a[2] + u[i] * a[3])));
      }
    }
  }

  void Weigh(const Places& places, const std::vector<float>& values) {
    Evaluate(places);
    rest_.resize(values.size());
    for (size_t i = 0; i < values.size(); ++i) rest_[i] = std::abs(values[i] - values_at_[i]);
    const double scale = std::max(2 * 1.4826 * MiddleOf(rest_), 1e-6), inverse = 1 / (scale * scale);
    for (size_t i = 0; i < values.size(); ++i) weight_[i] = 1 / (1 + inverse * rest_[i] * rest_[i]);
  }

  // Normal equations by Cholesky's way; a ridge of 1e-9 keeps them solvable
  // where all samples lie on a line. They are made of sums of w u^i v^j: along
  // each row by powers of u, then by those of v.
  void Solve(const Places& places, const std::vector<float>& values) {
    constexpr int kPowers = 2 * kMostDegree + 1;
    double sums[kPowers][kPowers] = {}, with[kMostDegree + 1][kMostDegree + 1] = {};
    for (const Places::Row& row : places.rows()) {
      double s[kPowers] = {}, t[kMostDegree + 1] = {};
      for (size_t i = row.begin; i < row.end; ++i) {
        const double u = places.u()[i];
        double w = weight_[i], wz = w * values[i];
        for (int k = 0; k <= kMostDegree; ++k, wz *= u) t[k] += wz;
        for (int k = 0; k < kPowers; ++k, w *= u) s[k] += w;
      }
      double v = 1;
      for (int j = 0; j <= 2 * degree_; ++j, v *= row.v) {
        for (int i = 0; i + j <= 2 * degree_; ++i) sums[i][j] += s[i] * v;
        for (int i = 0; i + j <= degree_; ++i) with[i][j] += t[i] * v;
      }
    }
    struct Term {
      int i, j;
    };
    Term term[kMostTerms];
    int terms = 0;
    for (int d = 0; d <= degree_; ++d) {
      for (int j = 0; j <= d; ++j) term[terms++] = {d - j, j};
    }
    double m[kMostTerms][kMostTerms], b[kMostTerms];
    for (int p = 0; p < terms; ++p) {
      for (int q = 0; q <= p; ++q) m[p][q] = sums[term[p].i + term[q].i][term[p].j + term[q].j];
      b[p] = with[term[p].i][term[p].j];
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

  bool fitted_ = false;
  int degree_ = 0;
  double coefficients_[kMostTerms] = {};
  double low_ = 0, high_ = 0;
  std::vector<double> weight_;
  std::vector<float> values_at_, rest_;
};

class Fitting {
 public:
  Fitting(const std::vector<PlateFrame>& frames, const std::array<float, 3>& color, int degree)
      : frames_(frames),
        color_(color),
        degree_(degree),
        rect_(frames[0].color[0].rect()),
        plate_{Plane(rect_), Plane(rect_), Plane(rect_)},
        space_(rect_) {}

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
    uint8_t* bits = sure->bits().data();
    const uint8_t *bare = frame.bare.bits().data(), *cover = frame.cover.bits().data();
    const size_t count = sure->bits().size();
    for (size_t i = 0; i < count; ++i) bits[i] = (bits[i] | bare[i]) & (1 ^ cover[i]);
  }

  // Chromaticity within 0.06 of the screen's (as in screen_hue) and not dark.
  Bitmap ByColor(const PlateFrame& frame) const {
    const Rgb soft{Blurred(frame.color[0], 1), Blurred(frame.color[1], 1), Blurred(frame.color[2], 1)};
    const float total = color_[0] + color_[1] + color_[2];
    const float r0 = color_[0] / total, g0 = color_[1] / total;
    const float dark = 0.3f * std::max({color_[0], color_[1], color_[2]});
    const int width = rect_.width();
    Bitmap found(width, rect_.height());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const float *r = soft[0].row(y), *g = soft[1].row(y), *b = soft[2].row(y);
      uint8_t* to = found.row(y - rect_.y0);
      for (int x = 0; x < width; ++x) {
        const float sum = r[x] + g[x] + b[x];
        // Without dividing by the sum.
        const float dr = r[x] - r0 * sum, dg = g[x] - g0 * sum, db = dr + dg, reach = 0.06f * sum;
        const float rg = r[x] > g[x] ? r[x] : g[x], most = rg > b[x] ? rg : b[x];
        to[x] = ((dr * dr + dg * dg + db * db) * (2.0f / 3) < reach * reach) & (most > dark);
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
    const int width = rect_.width();
    std::vector<float> signal(width), of_screen(signal), tint(signal);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      float* const s[3] = {plate_[0].row(y), plate_[1].row(y), plate_[2].row(y)};
      for (int c = 0; c < 3; ++c) surfaces_[c].Row(space_, y, s[c]);
      const float* const from[3] = {frame.color[0].row(y), frame.color[1].row(y), frame.color[2].row(y)};
      AxisRow(from, s, u, 1e-9f, signal.size(), signal.data(), of_screen.data(), tint.data());
      uint8_t* to = sure->row(y - rect_.y0);
      for (int x = 0; x < width; ++x) to[x] &= std::abs(signal[x] - of_screen[x]) < 0.25f * of_screen[x];
    }
    Correct(frame, sure);
  }

  void FitSurfaces() {
    const double all = static_cast<double>(rect_.area()) * static_cast<double>(frames_.size());
    const int step = std::max(2, static_cast<int>(std::ceil(std::sqrt(all / kSamples))));
    Places places(rect_);
    std::vector<float> values[3];
    for (size_t i = 0; i < frames_.size(); ++i) {
      for (int y = rect_.y0; y < rect_.y1; y += step) {
        const uint8_t* sure = sure_[i].row(y - rect_.y0);
        const float* const color[3] = {frames_[i].color[0].row(y), frames_[i].color[1].row(y),
                                       frames_[i].color[2].row(y)};
        places.BeginRow(y);
        for (int x = 0; x < rect_.width(); x += step) {
          if (!sure[x]) continue;
          places.Add(rect_.x0 + x);
          for (int c = 0; c < 3; ++c) values[c].push_back(color[c][x]);
        }
      }
    }
    for (int c = 0; c < 3; ++c) {
      // A few samples carry no surface.
      if (places.count() < 50) {
        surfaces_[c].Set(color_[c]);
      } else {
        surfaces_[c].Fit(places, values[c], degree_);
      }
    }
  }

  // plate_ = polynomial + what is left of the screen, smoothed and spread.
  bool AddRest(const std::vector<Bitmap>& inner, const std::function<bool()>& stopped) {
    const int width = rect_.width();
    const Grid grid{rect_, kCell};
    CellSums sums(grid, 4);
    std::vector<float> sure(width);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      float* const* to = sums.Rows(y);
      float* __restrict weight = to[3];
      for (int c = 0; c < 3; ++c) surfaces_[c].Row(space_, y, plate_[c].row(y));
      for (size_t i = 0; i < frames_.size(); ++i) {
        const uint8_t* bits = inner[i].row(y - rect_.y0);
        for (int x = 0; x < width; ++x) sure[x] = static_cast<float>(bits[x]);
        for (int c = 0; c < 3; ++c) {
          const float *color = frames_[i].color[c].row(y), *surface = plate_[c].row(y);
          float* __restrict rest = to[c];
          for (int x = 0; x < width; ++x) rest[x] += sure[x] * (color[x] - surface[x]);
        }
        for (int x = 0; x < width; ++x) weight[x] += sure[x];
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
        float* __restrict to = plate_[c].row(y);
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

}  // namespace selvage::worker
