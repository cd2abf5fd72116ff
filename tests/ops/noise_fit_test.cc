#include "worker/kernels/motion/noise_fit.h"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/moving_scene.h"

namespace selvage::worker {
namespace {

TEST(NoiseFit, PolynomialOfDegreeTwoLeavesNothing) {
  std::vector<float> values;
  for (int y = 0; y < 11; ++y) {
    for (int x = 0; x < 19; ++x) {
      values.push_back(static_cast<float>(0.3 + 0.01 * x - 0.02 * y + 0.001 * x * x - 0.002 * x * y + 0.0005 * y * y));
    }
  }
  EXPECT_LT(RemoveQuadratic(&values, 19, 11), 1e-14);
  for (float v : values) EXPECT_NEAR(v, 0, 1e-6);
}

TEST(NoiseFit, VarianceOfNoiseIsUnbiased) {
  testing::Random random(1);
  double sum = 0;
  for (int trial = 0; trial < 500; ++trial) {
    std::vector<float> values(64);
    for (float& v : values) v = static_cast<float>(2 + 3 * random.Gaussian());
    sum += RemoveQuadratic(&values, 8, 8);
  }
  // Without the six degrees of freedom it would be 8.2.
  EXPECT_NEAR(sum / 500, 9, 0.25);
}

TEST(NoiseFit, ChiSquaredQuantilesOfTheTable) {
  // NIST/SEMATECH e-Handbook 1.3.6.7.4, lower 5 % (normal -1.645), 10 % (-1.282).
  EXPECT_NEAR(10 * ChiSquaredQuantile(-1.64485, 10), 3.940, 0.02);
  EXPECT_NEAR(21 * ChiSquaredQuantile(-1.64485, 21), 11.591, 0.02);
  EXPECT_NEAR(21 * ChiSquaredQuantile(-1.28155, 21), 13.240, 0.02);
}

TEST(NoiseFit, WeightedMedianIsWhereHalfTheWeightIsReached) {
  EXPECT_EQ(WeightedMedian({{3, 1}, {1, 1}, {2, 1}}), 2);
  EXPECT_EQ(WeightedMedian({{3, 5}, {1, 1}, {2, 1}}), 3);
  EXPECT_EQ(WeightedMedian({{7, 0.1}}), 7);
}

TEST(NoiseFit, HighFrequenciesAreTwentyOne) {
  int count = 0;
  for (int k = 0; k < 64; ++k) count += IsHighFrequency(k);
  EXPECT_EQ(count, kHighFrequencies);
}

TEST(NoiseFit, ClippedAndBadBlocksAreNotUsable) {
  const Rect rect = {-2, 5, 14, 21};
  Plane plane(rect);
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) plane.at(x, y) = 0.01f * static_cast<float>(17 * x + 31 * y);
  }
  const float least = LeastValue(plane), most = GreatestValue(plane);
  EXPECT_TRUE(IsUsable(plane, -2, 5, least, most));
  plane.at(3, 7) = least;
  EXPECT_FALSE(IsUsable(plane, -2, 5, least, most));
  EXPECT_TRUE(IsUsable(plane, 6, 13, least, most));
  plane.at(7, 14) = NAN;
  EXPECT_FALSE(IsUsable(plane, 6, 13, least, most));
}

}  // namespace
}  // namespace selvage::worker
