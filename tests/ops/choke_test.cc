#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-7, 3, 90, 71};

std::string StepFor(double pixels, const char* shape) {
  return "choke { pixels { value: " + std::to_string(pixels) + " } shape: " + shape + " }";
}

cv::Mat ToMat(const Plane& p) {
  cv::Mat m(p.rect().height(), p.rect().width(), CV_32F);
  for (int y = 0; y < m.rows; ++y) std::copy_n(p.row(p.rect().y0 + y), m.cols, m.ptr<float>(y));
  return m;
}

// All whole offsets at most `radius` away.
cv::Mat DiscElement(int radius) {
  cv::Mat element(2 * radius + 1, 2 * radius + 1, CV_8U, cv::Scalar(0));
  for (int y = -radius; y <= radius; ++y) {
    for (int x = -radius; x <= radius; ++x)
      element.at<uint8_t>(y + radius, x + radius) = x * x + y * y <= radius * radius;
  }
  return element;
}

void ExpectEqual(const Plane& p, const cv::Mat& m) {
  for (int y = 0; y < m.rows; ++y) {
    for (int x = 0; x < m.cols; ++x) ASSERT_EQ(p.row(p.rect().y0 + y)[x], m.at<float>(y, x)) << x << ", " << y;
  }
}

TEST(Choke, KeepsTheLawsOfAllOperators) {
  for (const char* shape : {"DISC", "SQUARE"}) {
    for (double pixels : {0.0, 1.0, 2.5, 13.25, -1.0, -3.7}) OpTester(StepFor(pixels, shape)).CheckLaws();
  }
}

TEST(Choke, WholeRadiiEqualOpenCv) {
  const Picture in = MakePicture(MATTE, kRect);
  for (int radius : {1, 2, 3, 7, 16}) {
    for (bool disc : {true, false}) {
      const cv::Mat element =
          disc ? DiscElement(radius) : cv::Mat(2 * radius + 1, 2 * radius + 1, CV_8U, cv::Scalar(1));
      const char* shape = disc ? "DISC" : "SQUARE";
      cv::Mat expected;
      // Repeated edge pixels add nothing to a minimum that OpenCV's default border leaves out.
      cv::erode(ToMat(in.planes[0]), expected, element, cv::Point(-1, -1), 1, cv::BORDER_REPLICATE);
      ExpectEqual(OpTester(StepFor(radius, shape)).Main(in).Render().planes[0], expected);
      cv::dilate(ToMat(in.planes[0]), expected, element, cv::Point(-1, -1), 1, cv::BORDER_REPLICATE);
      ExpectEqual(OpTester(StepFor(-radius, shape)).Main(in).Render().planes[0], expected);
    }
  }
}

TEST(Choke, LargestRadiusEqualsOpenCv) {
  Picture in;
  in.kind = MATTE;
  const Rect rect{0, 0, 500, 450};
  in.planes.push_back(Plane(rect));
  for (int y = 0; y < rect.y1; ++y) {
    for (int x = 0; x < rect.x1; ++x)
      in.planes[0].at(x, y) = static_cast<float>((x * 7919 + y * 104729) % 65536) / 65536;
  }
  in.planes[0].at(250, 225) = -1;
  cv::Mat expected;
  cv::erode(ToMat(in.planes[0]), expected, DiscElement(200), cv::Point(-1, -1), 1, cv::BORDER_REPLICATE);
  ExpectEqual(OpTester(StepFor(200, "DISC")).Main(in).Render().planes[0], expected);
}

TEST(Choke, ZeroIsTheIdentity) {
  OpTester("choke {}").CheckIdentity();
  OpTester("choke { shape: SQUARE }").CheckIdentity();
}

TEST(Choke, FractionBlendsTheTwoWholeRadii) {
  const Picture in = MakePicture(MATTE, kRect);
  for (const char* shape : {"DISC", "SQUARE"}) {
    for (int sign : {1, -1}) {
      const Plane two = OpTester(StepFor(sign * 2, shape)).Main(in).Render().planes[0];
      const Plane three = OpTester(StepFor(sign * 3, shape)).Main(in).Render().planes[0];
      const Plane between = OpTester(StepFor(sign * 2.25, shape)).Main(in).Render().planes[0];
      for (int y = kRect.y0; y < kRect.y1; ++y) {
        for (int x = kRect.x0; x < kRect.x1; ++x) {
          ASSERT_NEAR(between.at(x, y), 0.75 * two.at(x, y) + 0.25 * three.at(x, y), 1e-6);
        }
      }
    }
  }
}

TEST(Choke, StraightEdgeMovesByThePixelsAskedFor) {
  Picture in;
  in.kind = MATTE;
  in.planes.push_back(Plane(kRect));
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) in.planes[0].at(x, y) = x < 40 ? 1 : 0;
  }
  for (const char* shape : {"DISC", "SQUARE"}) {
    for (double pixels : {-12.5, -2.25, 0.5, 3.0, 8.75}) {
      const Plane out = OpTester(StepFor(pixels, shape)).Main(in).Render().planes[0];
      double width = 0;
      for (int x = kRect.x0; x < kRect.x1; ++x) width += out.at(x, 30);
      EXPECT_NEAR(width, 47 - pixels, 1e-5) << shape << " " << pixels;
    }
  }
}

TEST(Choke, SpreadIsChokeOfTheInverse) {
  Picture in = MakePicture(MATTE, kRect), negative = in;
  negative.planes[0] = Plane(kRect);
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) negative.planes[0].at(x, y) = -in.planes[0].at(x, y);
  }
  for (const char* shape : {"DISC", "SQUARE"}) {
    const Plane spread = OpTester(StepFor(-4.5, shape)).Main(in).Render().planes[0];
    const Plane choked = OpTester(StepFor(4.5, shape)).Main(negative).Render().planes[0];
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) ASSERT_EQ(spread.at(x, y), -choked.at(x, y));
    }
  }
}

TEST(Choke, FlatTilesAreKnownToBeConstant) {
  EXPECT_EQ(OpTester(StepFor(5, "DISC")).Main(MakeConstant(MATTE, kRect, 0.25f)).Render().planes[0].constant, 0.25f);
}

}  // namespace
}  // namespace selvage::worker
