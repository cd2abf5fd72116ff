#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-9, 4, 190, 140};

Picture Blobs(uint64_t seed) {
  Picture p;
  p.kind = MATTE;
  p.planes.push_back(Plane(kRect));
  testing::Random random(seed);
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      const double v = testing::ValueNoise(x / 4.0, y / 4.0, seed) - 0.1 + 0.6 * (random.Uniform() - 0.5);
      p.planes[0].at(x, y) = static_cast<float>(std::clamp(v, 0.0, 1.0));
    }
  }
  return p;
}

TEST(DropSpecks, KeepsTheLawsOfAllOperators) {
  OpTester("drop_specks {}").CheckLaws();
  OpTester("drop_specks { area { value: 1e6 } above { value: 0.4 } sigma { value: 3 } }").CheckLaws();
}

TEST(DropSpecks, EqualsOpenCvsComponents) {
  for (uint64_t seed : {1, 2, 3}) {
    const Picture in = Blobs(seed);
    cv::Mat bitmap(kRect.height(), kRect.width(), CV_8U), labels, stats, centroids;
    for (int y = 0; y < bitmap.rows; ++y) {
      for (int x = 0; x < bitmap.cols; ++x)
        bitmap.at<uint8_t>(y, x) = in.planes[0].at(kRect.x0 + x, kRect.y0 + y) > 0.1f;
    }
    cv::connectedComponentsWithStats(bitmap, labels, stats, centroids, 8, CV_32S);
    for (double area : {1.0, 12.0, 300.0}) {
      const Picture out =
          OpTester(absl::StrCat("drop_specks { area { value: ", area, " } above { value: 0.1 } sigma { value: 0 } }"))
              .Main(in)
              .Render();
      int dropped = 0;
      for (int y = 0; y < bitmap.rows; ++y) {
        for (int x = 0; x < bitmap.cols; ++x) {
          const int label = labels.at<int>(y, x);
          const bool drop = label > 0 && stats.at<int>(label, cv::CC_STAT_AREA) <= area;
          const float was = in.planes[0].at(kRect.x0 + x, kRect.y0 + y);
          ASSERT_EQ(out.planes[0].at(kRect.x0 + x, kRect.y0 + y), drop ? 0.0f : was) << x << ", " << y;
          dropped += drop;
        }
      }
      EXPECT_GT(dropped, 0);
    }
  }
}

TEST(DropSpecks, NoSpecksIsTheIdentity) { OpTester("drop_specks { area { value: 0 } }").CheckIdentity(); }

TEST(DropSpecks, RimTakesTheHazeAroundAway) {
  Picture in = MakeConstant(MATTE, {0, 0, 41, 41}, 0.015f);
  in.planes[0].constant.reset();
  in.planes[0].at(20, 20) = 0.5f;
  const Plane out = OpTester("drop_specks { sigma { value: 1.5 } }").Main(in).Render().planes[0];
  EXPECT_EQ(out.at(20, 20), 0.0f);
  for (int x = 21; x < 26; ++x) {
    EXPECT_LT(out.at(x, 20), 0.015f);
    EXPECT_GT(out.at(x, 20), out.at(x - 1, 20));
  }
  EXPECT_EQ(out.at(27, 20), 0.015f);
}

}  // namespace
}  // namespace selvage::worker
