#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-9, 4, 190, 140};

// Blobs of all sizes, some at the edges, and grain.
Picture Blobs(uint64_t seed, double level) {
  Picture p;
  p.kind = MATTE;
  p.planes.push_back(Plane(kRect));
  testing::Random random(seed);
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      const double v = level + testing::ValueNoise(x / 4.0, y / 4.0, seed) + 0.6 * (random.Uniform() - 0.5);
      p.planes[0].at(x, y) = static_cast<float>(std::clamp(v, 0.0, 1.0));
    }
  }
  return p;
}

// What OpenCV finds below `below`, filled.
Plane Expected(const Plane& in, double area, float below) {
  cv::Mat bitmap(kRect.height(), kRect.width(), CV_8U), labels, stats, centroids;
  for (int y = 0; y < bitmap.rows; ++y) {
    for (int x = 0; x < bitmap.cols; ++x) bitmap.at<uint8_t>(y, x) = in.at(kRect.x0 + x, kRect.y0 + y) < below;
  }
  cv::connectedComponentsWithStats(bitmap, labels, stats, centroids, 8, CV_32S);
  Plane out(kRect);
  for (int y = 0; y < bitmap.rows; ++y) {
    for (int x = 0; x < bitmap.cols; ++x) {
      const int label = labels.at<int>(y, x);
      const int* s = stats.ptr<int>(label);
      const int left = s[cv::CC_STAT_LEFT], top = s[cv::CC_STAT_TOP];
      const bool at_edge = left == 0 || top == 0 || left + s[cv::CC_STAT_WIDTH] == bitmap.cols ||
                           top + s[cv::CC_STAT_HEIGHT] == bitmap.rows;
      const float was = in.at(kRect.x0 + x, kRect.y0 + y);
      out.at(kRect.x0 + x, kRect.y0 + y) = label > 0 && s[cv::CC_STAT_AREA] <= area && !at_edge ? 1 : was;
    }
  }
  return out;
}

TEST(FillHoles, KeepsTheLawsOfAllOperators) {
  OpTester("fill_holes {}").CheckLaws();
  OpTester("fill_holes { area { value: 1e6 } below { value: 0.6 } sigma { value: 3 } }").CheckLaws();
  OpTester("fill_holes { sigma { value: 0 } }").Window({0, 0, 1, 40}).CheckLaws();
}

TEST(FillHoles, EqualsOpenCvsComponents) {
  for (uint64_t seed : {1, 2, 3}) {
    const Picture in = Blobs(seed, 0.7);
    for (double area : {1.0, 12.0, 300.0}) {
      const Picture out =
          OpTester(absl::StrCat("fill_holes { area { value: ", area, " } below { value: 0.5 } sigma { value: 0 } }"))
              .Main(in)
              .Render();
      Picture expected;
      expected.kind = MATTE;
      expected.planes.push_back(Expected(in.planes[0], area, 0.5f));
      EXPECT_TRUE(SameBits(out, expected)) << seed << ", " << area;
      EXPECT_FALSE(SameBits(out, in));
    }
  }
}

TEST(FillHoles, NoHolesIsTheIdentity) { OpTester("fill_holes { area { value: 0 } }").CheckIdentity(); }

// A hole of one pixel: 1 there; around it lifted, less with the distance.
TEST(FillHoles, RimFallsOffWithTheDistance) {
  Picture in = MakeConstant(MATTE, {0, 0, 41, 41}, 0.96f);
  in.planes[0].constant.reset();
  in.planes[0].at(20, 20) = 0.2f;
  const Plane out = OpTester("fill_holes { sigma { value: 2 } }").Main(in).Render().planes[0];
  EXPECT_EQ(out.at(20, 20), 1.0f);
  for (int x = 21; x < 28; ++x) {
    const double share = (out.at(x, 20) - 0.96) / 0.04;
    // Twice a Gaussian of deviation 2.
    const double gaussian = std::exp(-0.5 * (x - 20) * (x - 20) / 4) / (2 * 3.14159265 * 4);
    EXPECT_NEAR(share, 2 * gaussian, 2e-4) << x;
    EXPECT_EQ(out.at(x, 20), out.at(40 - x, 20));
  }
  EXPECT_EQ(out.at(29, 20), 0.96f);
}

TEST(FillHoles, HolesAtTheEdgeStay) {
  Picture in = MakeConstant(MATTE, {0, 0, 41, 41}, 1);
  in.planes[0].constant.reset();
  for (auto [x, y] : {std::pair{0, 20}, {20, 0}, {40, 20}, {20, 40}}) in.planes[0].at(x, y) = 0;
  EXPECT_TRUE(SameBits(OpTester("fill_holes {}").Main(in).Render(), in));
}

}  // namespace
}  // namespace selvage::worker
