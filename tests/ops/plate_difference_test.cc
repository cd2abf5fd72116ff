#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "worker/kernels/motion/noise.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 400, 300};
constexpr char kProfile[] = "profile { a { r: 6e-4 g: 6e-4 b: 6e-4 } b { r: 4e-5 g: 4e-5 b: 4e-5 } }";

OpTester Difference(const std::string& params) {
  return OpTester(absl::StrCat("plate_difference { clean_plate: 'clean' ", kProfile, " ", params, " }"));
}

// A screen lit from one side.
Picture Screen() {
  Picture p = MakeConstant(OPAQUE, kRect, 1);
  const float color[] = {0.06f, 0.4f, 0.11f};
  for (int c = 0; c < 3; ++c) {
    p.planes[c].constant.reset();
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x)
        p.planes[c].at(x, y) = color[c] * (0.5f + 0.002f * static_cast<float>(x));
    }
  }
  return p;
}

double ShareAbove(const Plane& matte, float value) {
  double count = 0;
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) count += matte.at(x, y) > value;
  }
  return count / static_cast<double>(kRect.area());
}

TEST(PlateDifference, KeepsTheLawsOfAllOperators) {
  Difference("").CheckLaws();
  Difference("radius: 0 low { value: 2 } high { value: 2 }").CheckLaws();
  Difference("radius: 8").CheckLaws();
  OpTester("plate_difference { clean_plate: 'clean' sample { x: 0 y: 0 width: 8 height: 8 } radius: 3 }")
      .WithNumbers("sample", NoiseMeasurement{{{{1e-3f, 1e-5f}, {2e-3f, 1e-5f}, {1e-3f, 0.0f}}}}.ToNumbers())
      .CheckLaws();
}

// Upper critical values of chi-squared (NIST/SEMATECH e-Handbook of Statistical
// Methods, 1.3.6.7.4; values from memory): three degrees of freedom for a pixel,
// 27 for a square of 3 x 3 of them.
TEST(PlateDifference, FalseAlarmsFollowTheChiSquaredTable) {
  const Picture screen = Screen();
  Picture noisy = testing::AddNoise(screen, {}, 5);
  noisy.planes[3] = screen.planes[3];
  struct {
    int radius, freedom;
    double critical, rate;
  } table[] = {{0, 3, 6.251, 0.10},   {0, 3, 7.815, 0.05},   {0, 3, 11.345, 0.01}, {0, 3, 16.266, 0.001},
               {1, 27, 36.741, 0.10}, {1, 27, 40.113, 0.05}, {1, 27, 46.963, 0.01}};
  for (const auto& row : table) {
    const double threshold = std::sqrt(row.critical / row.freedom);
    const Picture out = Difference(absl::StrCat("radius: ", row.radius, " low { value: ", threshold,
                                                " } high { value: ", threshold, " }"))
                            .Main(noisy)
                            .With("clean_plate", screen)
                            .Render();
    // Four standard deviations of the count; overlapping squares are 9 times as few.
    const double independent = static_cast<double>(kRect.area()) / (row.radius == 0 ? 1 : 9);
    EXPECT_NEAR(ShareAbove(out.planes[0], 0), row.rate, 4 * std::sqrt(row.rate * (1 - row.rate) / independent))
        << row.radius << " " << row.critical;
  }
}

TEST(PlateDifference, MeasuredNoiseCountsAsGiven) {
  const Picture screen = Screen();
  Picture noisy = testing::AddNoise(screen, {}, 6);
  noisy.planes[3] = screen.planes[3];
  const NoiseMeasurement noise{{{{6e-4f, 4e-5f}, {6e-4f, 4e-5f}, {6e-4f, 4e-5f}}}};
  EXPECT_TRUE(SameBits(OpTester("plate_difference { clean_plate: 'clean' sample { x: 0 y: 0 width: 8 height: 8 } }")
                           .WithNumbers("sample", noise.ToNumbers())
                           .Main(noisy)
                           .With("clean_plate", screen)
                           .Render(),
                       Difference("").Main(noisy).With("clean_plate", screen).Render()));
}

// d2 by hand: two deviations off in each channel is a distance of 2.
TEST(PlateDifference, RisesFromLowToHigh) {
  const Picture screen = Screen();
  for (double deviations : {0.0, 2.0, 3.0, 4.5, 6.0, 40.0}) {
    Picture off = Screen();
    for (int c = 0; c < 3; ++c) {
      for (int y = kRect.y0; y < kRect.y1; ++y) {
        for (int x = kRect.x0; x < kRect.x1; ++x) {
          float& v = off.planes[c].at(x, y);
          v += static_cast<float>(deviations * std::sqrt(6e-4 * v + 4e-5));
        }
      }
    }
    const Picture out = Difference("low { value: 3 } high { value: 6 }").Main(off).With("clean_plate", screen).Render();
    EXPECT_NEAR(out.planes[0].at(50, 50), std::clamp((deviations - 3) / 3, 0.0, 1.0), 1e-5) << deviations;
  }
}

TEST(PlateDifference, WhatIsNoNumberIsForeground) {
  Picture in = Screen();
  in.planes[1].at(20, 20) = std::numeric_limits<float>::quiet_NaN();
  in.planes[1].at(60, 20) = std::numeric_limits<float>::infinity();
  const Picture out = Difference("radius: 0").Main(in).With("clean_plate", Screen()).Render();
  EXPECT_EQ(out.planes[0].at(20, 20), 1.0f);
  EXPECT_EQ(out.planes[0].at(60, 20), 1.0f);
  EXPECT_EQ(out.planes[0].at(21, 20), 0.0f);
}

TEST(PlateDifference, WithoutNoiseItIsRefused) {
  const auto out = OpTester("plate_difference { clean_plate: 'clean' }").TryRender();
  EXPECT_EQ(out.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
