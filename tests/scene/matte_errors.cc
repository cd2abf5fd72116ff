#include "tests/scene/matte_errors.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace selvage::scene {
namespace {

constexpr double kSigma = 1.4;
constexpr double kTheta = 0.15;
constexpr int kThresholds = 10;

struct GradientKernels {
  cv::Mat smooth, derivative;
};

// The Gaussian ends where it falls below 0.01; the product of the two kernels
// has unit length.
GradientKernels MakeKernels() {
  const double pi = std::acos(-1.0);
  const int half = static_cast<int>(std::ceil(kSigma * std::sqrt(-2 * std::log(std::sqrt(2 * pi) * kSigma * 0.01))));
  GradientKernels k{cv::Mat(1, 2 * half + 1, CV_64F), cv::Mat(1, 2 * half + 1, CV_64F)};
  for (int i = -half; i <= half; ++i) {
    const double g = std::exp(-i * i / (2 * kSigma * kSigma)) / (kSigma * std::sqrt(2 * pi));
    k.smooth.at<double>(i + half) = g;
    k.derivative.at<double>(i + half) = -i * g / (kSigma * kSigma);
  }
  k.smooth /= cv::norm(k.smooth);
  k.derivative /= cv::norm(k.derivative);
  return k;
}

cv::Mat GradientLength(const cv::Mat& matte) {
  static const GradientKernels kernels = MakeKernels();
  cv::Mat x, y, length;
  cv::sepFilter2D(matte, x, CV_64F, kernels.derivative, kernels.smooth, {-1, -1}, 0, cv::BORDER_REPLICATE);
  cv::sepFilter2D(matte, y, CV_64F, kernels.smooth, kernels.derivative, {-1, -1}, 0, cv::BORDER_REPLICATE);
  cv::magnitude(x, y, length);
  return length;
}

// The largest 4-connected part of what is set; empty where nothing is.
cv::Mat LargestPart(const cv::Mat& set) {
  cv::Mat labels, stats, centres;
  const int count = cv::connectedComponentsWithStats(set, labels, stats, centres, 4);
  int best = 0;
  for (int i = 1; i < count; ++i) {  // 0 is the background
    if (best == 0 || stats.at<int>(i, cv::CC_STAT_AREA) > stats.at<int>(best, cv::CC_STAT_AREA)) best = i;
  }
  if (best == 0) return cv::Mat::zeros(set.size(), CV_8U);
  return labels == best;
}

// The highest threshold at which each pixel still belongs to the shared part.
cv::Mat ConnectedUpTo(const cv::Mat& matte, const cv::Mat& truth) {
  cv::Mat level(matte.size(), CV_64F, cv::Scalar(-1));
  for (int i = 1; i <= kThresholds; ++i) {
    const double t = static_cast<double>(i) / kThresholds;
    const cv::Mat part = LargestPart((matte >= t) & (truth >= t));
    // Left out here for the first time: it hung on up to the threshold before.
    level.setTo(static_cast<double>(i - 1) / kThresholds, (level < 0) & (part == 0));
  }
  level.setTo(1, level < 0);
  return level;
}

double Connected(double alpha, double level) {
  const double off = alpha - level;
  return off >= kTheta ? 1 - off : 1;
}

}  // namespace

MatteErrors CompareMattes(const std::vector<float>& matte, const std::vector<float>& truth, int width, int height,
                          const std::vector<char>& counts) {
  cv::Mat a, b;
  cv::Mat(height, width, CV_32F, const_cast<float*>(matte.data())).convertTo(a, CV_64F);
  cv::Mat(height, width, CV_32F, const_cast<float*>(truth.data())).convertTo(b, CV_64F);
  const cv::Mat slope_a = GradientLength(a), slope_b = GradientLength(b), level = ConnectedUpTo(a, b);

  MatteErrors e;
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      if (!counts.empty() && !counts[static_cast<size_t>(y) * width + x]) continue;
      const double va = a.at<double>(y, x), vb = b.at<double>(y, x), l = level.at<double>(y, x);
      const double slope = slope_a.at<double>(y, x) - slope_b.at<double>(y, x);
      ++e.pixels;
      e.sad += std::abs(va - vb);
      e.mse += (va - vb) * (va - vb);
      e.gradient += slope * slope;
      e.connectivity += std::abs(Connected(va, l) - Connected(vb, l));
    }
  }
  if (e.pixels > 0) e.mse /= static_cast<double>(e.pixels);
  return e;
}

}  // namespace selvage::scene
