#include <algorithm>
#include <cstddef>
#include <utility>

#include "worker/kernels/pixels/guided_filter.h"
#include "worker/kernels/pixels/symmetric3.h"

namespace selvage::worker {
namespace {

constexpr double kPixels = 9;
// Of the first residual's square, in the preconditioner's norm: solved.
constexpr double kSolved = 1e-20;

// Statistics of the guide in one 3 x 3 window.
struct ColorWindow {
  size_t centre;
  Vector3 mean;
  Symmetric3 inverse;
};

// L as a sum over windows: none of its 25 numbers a pixel is ever stored. Fields
// hold a number for each pixel of the picture.
class Laplacian {
 public:
  using Field = std::vector<double>;

  Laplacian(const std::vector<Plane>& guide, const std::vector<uint8_t>& open, double epsilon)
      : width_(guide[0].rect().width()), color_(guide[0].rect().area()) {
    const Rect& rect = guide[0].rect();
    for (int y = 0; y < rect.height(); ++y) {
      for (int c = 0; c < 3; ++c) {
        const float* row = guide[c].row(rect.y0 + y);
        for (size_t x = 0; x < width_; ++x) color_[y * width_ + x][c] = row[x];
      }
    }
    for (int dy = -1, k = 0; dy <= 1; ++dy) {
      for (int dx = -1; dx <= 1; ++dx) around_[k++] = dy * static_cast<ptrdiff_t>(width_) + dx;
    }
    for (int y = 1; y + 1 < rect.height(); ++y) {
      for (size_t x = 1; x + 1 < width_; ++x) {
        const size_t centre = y * width_ + x;
        const bool counts = std::any_of(around_, around_ + 9, [&](ptrdiff_t d) { return open[centre + d] != 0; });
        if (counts) windows_.push_back(Measure(centre, epsilon));
      }
    }
  }

  // to = L of, right at open pixels (others miss windows).
  void Apply(const Field& of, Field* to) const {
    std::fill(to->begin(), to->end(), 0.0);
    for (const ColorWindow& w : windows_) {
      double mean = 0;
      Vector3 with_color{};
      for (ptrdiff_t d : around_) {
        const double v = of[w.centre + d];
        const Vector3& color = color_[w.centre + d];
        mean += v;
        for (int c = 0; c < 3; ++c) with_color[c] += v * color[c];
      }
      mean /= kPixels;
      for (int c = 0; c < 3; ++c) with_color[c] = with_color[c] / kPixels - mean * w.mean[c];
      const Vector3 slope = w.inverse * with_color;
      const double offset = mean - Dot(slope, w.mean);
      for (ptrdiff_t d : around_) (*to)[w.centre + d] += of[w.centre + d] - Dot(slope, color_[w.centre + d]) - offset;
    }
  }

  Field Diagonal() const {
    Field diagonal(color_.size(), 0.0);
    for (const ColorWindow& w : windows_) {
      for (ptrdiff_t d : around_) {
        Vector3 away;
        for (int c = 0; c < 3; ++c) away[c] = color_[w.centre + d][c] - w.mean[c];
        diagonal[w.centre + d] += 1 - (1 + Dot(away, w.inverse * away)) / kPixels;
      }
    }
    return diagonal;
  }

 private:
  ColorWindow Measure(size_t centre, double epsilon) const {
    ColorWindow w{centre, {}, {}};
    for (ptrdiff_t d : around_) {
      for (int c = 0; c < 3; ++c) w.mean[c] += color_[centre + d][c] / kPixels;
    }
    Symmetric3 spread{epsilon, 0, 0, epsilon, 0, epsilon};
    for (ptrdiff_t d : around_) {
      Vector3 v;
      for (int c = 0; c < 3; ++c) v[c] = color_[centre + d][c] - w.mean[c];
      spread.xx += v[0] * v[0] / kPixels;
      spread.xy += v[0] * v[1] / kPixels;
      spread.xz += v[0] * v[2] / kPixels;
      spread.yy += v[1] * v[1] / kPixels;
      spread.yz += v[1] * v[2] / kPixels;
      spread.zz += v[2] * v[2] / kPixels;
    }
    w.inverse = spread.Inverse();
    return w;
  }

  const size_t width_;
  std::vector<Vector3> color_;
  ptrdiff_t around_[9];
  std::vector<ColorWindow> windows_;
};

// Conjugate gradients for the unknown pixels, preconditioned with the diagonal.
class Solver {
 public:
  using Field = Laplacian::Field;

  // Begins at `start`, whose other pixels are given.
  Solver(const Laplacian& laplacian, std::vector<size_t> unknown, Field start)
      : laplacian_(laplacian),
        unknown_(std::move(unknown)),
        diagonal_(laplacian.Diagonal()),
        solution_(std::move(start)) {
    direction_.resize(solution_.size());
    image_.resize(solution_.size());
    residual_.resize(unknown_.size());
    scaled_.resize(unknown_.size());
    laplacian_.Apply(solution_, &image_);
    for (size_t k = 0; k < unknown_.size(); ++k) residual_[k] = -image_[unknown_[k]];
    product_ = Precondition();
    enough_ = kSolved * product_;
    for (size_t k = 0; k < unknown_.size(); ++k) direction_[unknown_[k]] = scaled_[k];
  }

  const Field& solution() const { return solution_; }

  // False when nothing is left to be done.
  bool Step() {
    if (!(product_ > enough_)) return false;
    laplacian_.Apply(direction_, &image_);
    double curvature = 0;
    for (size_t at : unknown_) curvature += direction_[at] * image_[at];
    if (!(curvature > 0)) return false;
    const double step = product_ / curvature;
    for (size_t k = 0; k < unknown_.size(); ++k) {
      solution_[unknown_[k]] += step * direction_[unknown_[k]];
      residual_[k] -= step * image_[unknown_[k]];
    }
    const double before = product_;
    product_ = Precondition();
    for (size_t k = 0; k < unknown_.size(); ++k) {
      direction_[unknown_[k]] = scaled_[k] + product_ / before * direction_[unknown_[k]];
    }
    return true;
  }

 private:
  // A pixel that no window holds stays as it is.
  double Precondition() {
    double product = 0;
    for (size_t k = 0; k < unknown_.size(); ++k) {
      const double d = diagonal_[unknown_[k]];
      scaled_[k] = d > 0 ? residual_[k] / d : 0;
      product += residual_[k] * scaled_[k];
    }
    return product;
  }

  const Laplacian& laplacian_;
  const std::vector<size_t> unknown_;
  const Field diagonal_;
  Field solution_, direction_, image_;
  std::vector<double> residual_, scaled_;
  double product_ = 0, enough_ = 0;
};

}  // namespace

bool SolveMattingLaplacian(const std::vector<Plane>& guide, const std::vector<uint8_t>& open, double epsilon,
                           int iterations, const std::function<bool()>& stopped, Plane* matte) {
  const Rect& rect = matte->rect();
  const size_t width = rect.width();
  std::vector<size_t> unknown;
  for (size_t i = 0; i < open.size(); ++i) {
    if (open[i]) unknown.push_back(i);
  }
  if (unknown.empty()) return true;
  Laplacian::Field start(rect.area());
  for (int y = 0; y < rect.height(); ++y) std::copy_n(matte->row(rect.y0 + y), width, &start[y * width]);
  const Laplacian laplacian(guide, open, epsilon);
  Solver solver(laplacian, unknown, std::move(start));
  for (int i = 0; i < iterations && solver.Step(); ++i) {
    if (stopped()) return false;
  }
  for (size_t at : unknown) {
    matte->row(rect.y0 + static_cast<int>(at / width))[at % width] = static_cast<float>(solver.solution()[at]);
  }
  return true;
}

}  // namespace selvage::worker
