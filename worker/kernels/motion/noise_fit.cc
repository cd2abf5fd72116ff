#include "worker/kernels/motion/noise_fit.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace selvage::worker {
namespace {

constexpr int kTerms = 6;

// Legendre polynomials up to degree 2, nearly orthogonal on a grid, so that the
// normal equations are well conditioned.
std::array<double, kTerms> Terms(int x, int y, int width, int height) {
  const double u = (2.0 * x + 1) / width - 1, v = (2.0 * y + 1) / height - 1;
  return {1, u, v, 1.5 * u * u - 0.5, u * v, 1.5 * v * v - 0.5};
}

// Solves m * x = b (symmetric, positive definite) by elimination; b becomes x.
void Solve(std::array<std::array<double, kTerms>, kTerms>* m, std::array<double, kTerms>* b) {
  auto& a = *m;
  auto& x = *b;
  for (int i = 0; i < kTerms; ++i) {
    for (int j = i + 1; j < kTerms; ++j) {
      const double f = a[j][i] / a[i][i];
      for (int k = i; k < kTerms; ++k) a[j][k] -= f * a[i][k];
      x[j] -= f * x[i];
    }
  }
  for (int i = kTerms - 1; i >= 0; --i) {
    for (int k = i + 1; k < kTerms; ++k) x[i] -= a[i][k] * x[k];
    x[i] /= a[i][i];
  }
}

}  // namespace

double HighFrequencyEnergy(const float* coefficients) {
  double energy = 0;
  for (int k = 0; k < 64; ++k) {
    if (IsHighFrequency(k)) energy += static_cast<double>(coefficients[k]) * coefficients[k];
  }
  return energy;
}

double RemoveQuadratic(std::vector<float>* values, int width, int height) {
  std::array<std::array<double, kTerms>, kTerms> m{};
  std::array<double, kTerms> b{};
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      const auto t = Terms(x, y, width, height);
      const double value = (*values)[static_cast<size_t>(y) * width + x];
      for (int i = 0; i < kTerms; ++i) {
        for (int j = 0; j < kTerms; ++j) m[i][j] += t[i] * t[j];
        b[i] += t[i] * value;
      }
    }
  }
  Solve(&m, &b);
  double squares = 0;
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      const auto t = Terms(x, y, width, height);
      float& value = (*values)[static_cast<size_t>(y) * width + x];
      double rest = value;
      for (int i = 0; i < kTerms; ++i) rest -= b[i] * t[i];
      value = static_cast<float>(rest);
      squares += rest * rest;
    }
  }
  return squares / (static_cast<double>(values->size()) - kTerms);
}

double ChiSquaredQuantile(double normal, double freedom) {
  const double s = 2 / (9 * freedom);
  const double root = std::max(1 - s + normal * std::sqrt(s), 0.0);
  return root * root * root;
}

double WeightedMedian(std::vector<std::pair<double, double>> values) {
  std::sort(values.begin(), values.end());
  double total = 0;
  for (const auto& [value, weight] : values) total += weight;
  double reached = 0;
  for (const auto& [value, weight] : values) {
    reached += weight;
    if (2 * reached >= total) return value;
  }
  return values.back().first;
}

float LeastValue(const Plane& plane) {
  float least = INFINITY;
  const Rect& r = plane.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    const float* row = plane.row(y);
    for (int x = 0; x < r.width(); ++x) {
      if (std::isfinite(row[x])) least = std::min(least, row[x]);
    }
  }
  return std::isfinite(least) ? least : 0;
}

float GreatestValue(const Plane& plane) {
  float most = -INFINITY;
  const Rect& r = plane.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    const float* row = plane.row(y);
    for (int x = 0; x < r.width(); ++x) {
      if (std::isfinite(row[x])) most = std::max(most, row[x]);
    }
  }
  return std::isfinite(most) ? most : 0;
}

bool IsUsable(const Plane& plane, int x, int y, float least, float most) {
  int low = 0, high = 0;
  for (int j = y; j < y + 8; ++j) {
    const float* row = plane.row(j) + (x - plane.rect().x0);
    for (int i = 0; i < 8; ++i) {
      if (!std::isfinite(row[i])) return false;
      low += row[i] == least;
      high += row[i] == most;
    }
  }
  return low < 2 && high < 2;
}

}  // namespace selvage::worker
