// Mask coverage against OpenCV's polygon filling at 64 x 64 samples a pixel.
#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <random>
#include <vector>

#include "worker/inputs/mask.h"

namespace selvage::worker {
namespace {

constexpr int kScale = 64;
constexpr int kSize = 24;

using Outline = std::vector<cv::Point2d>;

ResolvedMask ToMask(const std::vector<Outline>& outlines) {
  ResolvedMask mask;
  auto* shape = mask.add_shape();
  shape->set_opacity(1);
  shape->set_rule(Mask::EVENODD);
  for (const Outline& outline : outlines) {
    auto* path = shape->add_path();
    path->add_xy(outline[0].x);
    path->add_xy(outline[0].y);
    for (size_t i = 1; i < outline.size(); ++i) {
      const cv::Point2d a = outline[i - 1], b = outline[i];
      for (const cv::Point2d& p : {a + (b - a) * (1.0 / 3), a + (b - a) * (2.0 / 3), b}) {
        path->add_xy(p.x);
        path->add_xy(p.y);
      }
    }
  }
  return mask;
}

// fillPoly fills by the even-odd rule, with 8 fractional bits here.
cv::Mat Reference(const std::vector<Outline>& outlines) {
  cv::Mat big(kSize * kScale, kSize * kScale, CV_8U, cv::Scalar(0));
  std::vector<std::vector<cv::Point>> fixed;
  for (const Outline& outline : outlines) {
    std::vector<cv::Point> points;
    // Samples stand at whole numbers there, at halves here.
    for (const auto& p : outline) {
      points.emplace_back(std::lround((p.x * kScale - 0.5) * 256), std::lround((p.y * kScale - 0.5) * 256));
    }
    fixed.push_back(points);
  }
  cv::fillPoly(big, fixed, cv::Scalar(255), cv::LINE_8, 8);
  cv::Mat small;
  big.convertTo(big, CV_32F, 1.0 / 255);
  cv::resize(big, small, cv::Size(kSize, kSize), 0, 0, cv::INTER_AREA);
  return small;
}

TEST(MaskFillPoly, RandomSelfCrossingPolygonsAgreeWithSupersampling) {
  std::mt19937 random(7);
  std::uniform_real_distribution<double> at(1, kSize - 1);
  for (int round = 0; round < 20; ++round) {
    std::vector<Outline> outlines(2);
    for (Outline& outline : outlines) {
      for (int i = 0; i < 4; ++i) outline.emplace_back(at(random), at(random));
    }
    Plane plane(Rect{0, 0, kSize, kSize});
    ASSERT_TRUE(RenderMask(ToMask(outlines), &plane).ok());
    const cv::Mat reference = Reference(outlines);
    double worst = 0, sum = 0;
    for (int y = 0; y < kSize; ++y) {
      for (int x = 0; x < kSize; ++x) {
        const double off = std::abs(plane.at(x, y) - reference.at<float>(y, x));
        worst = std::max(worst, off);
        sum += off;
      }
    }
    // It also draws the border line, half a sample to each side: up to
    // 1.5 samples a chord and crossed pixel.
    EXPECT_LT(worst, 0.12) << round;
    EXPECT_LT(sum / (kSize * kSize), 0.01) << round;
  }
}

// A turning, shifting star through an open shutter: the mean of OpenCV's fills at
// the same instants.
TEST(MaskFillPoly, MeanOfInstantsAgreesWithSupersampling) {
  constexpr int kInstants = 8;
  ResolvedMask mask;
  cv::Mat reference(kSize, kSize, CV_32F, cv::Scalar(0));
  for (int i = 0; i < kInstants; ++i) {
    const double turn = 0.05 * i, shift = 0.6 * i;
    Outline star;
    for (int k = 0; k < 5; ++k) {
      const double angle = turn + k * 4 * 3.14159265358979 / 5;
      star.emplace_back(9 + shift + 7 * std::cos(angle), 12 + 7 * std::sin(angle));
    }
    *mask.add_shape() = ToMask({star}).shape(0);
    reference += Reference({star}) / kInstants;
  }
  mask.set_instants(kInstants);
  Plane plane(Rect{0, 0, kSize, kSize});
  ASSERT_TRUE(RenderMask(mask, &plane).ok());
  double worst = 0, sum = 0;
  for (int y = 0; y < kSize; ++y) {
    for (int x = 0; x < kSize; ++x) {
      const double off = std::abs(plane.at(x, y) - reference.at<float>(y, x));
      worst = std::max(worst, off);
      sum += off;
    }
  }
  // As above, and less: the border lines fall elsewhere at each instant.
  EXPECT_LT(worst, 0.1);
  EXPECT_LT(sum / (kSize * kSize), 0.01);
}

}  // namespace
}  // namespace selvage::worker
