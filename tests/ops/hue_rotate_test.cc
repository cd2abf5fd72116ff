#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

std::vector<float> Rotated(std::vector<float> rgb, double degrees) {
  Picture in;
  in.kind = OPAQUE;
  rgb.push_back(1);
  for (float v : rgb) in.planes.push_back(Plane::Filled({0, 0, 2, 2}, v));
  const Picture out = OpTester(absl::StrCat("hue_rotate { rotate { value: ", degrees, " } }")).Main(in).Render();
  return {out.planes[0].at(1, 1), out.planes[1].at(1, 1), out.planes[2].at(1, 1)};
}

TEST(HueRotate, LawsOfAllOperatorsHold) {
  OpTester("hue_rotate { rotate { value: 77 } }").CheckLaws();
  OpTester("hue_rotate {}").CheckLaws();
}

TEST(HueRotate, NoTurnAndFullTurnsAreTheIdentity) {
  OpTester("hue_rotate {}").CheckIdentity();
  OpTester("hue_rotate { rotate { value: 360 } }").CheckIdentity();
  OpTester("hue_rotate { rotate { value: -360 } }").CheckIdentity();
}

TEST(HueRotate, GreysStayToTheBit) {
  for (double degrees : {-173.0, 1.0, 45.0, 120.0, 359.0}) {
    for (float v : {0.0f, 0.18f, 1.0f, 812.34f, -0.7f})
      EXPECT_EQ(Rotated({v, v, v}, degrees), (std::vector<float>{v, v, v}));
  }
}

TEST(HueRotate, AThirdOfATurnTakesRedToGreenToBlue) {
  const auto red = Rotated({1, 0, 0}, 120), green = Rotated({0, 1, 0}, 120);
  const float want_red[] = {0, 1, 0}, want_green[] = {0, 0, 1};
  for (int c = 0; c < 3; ++c) {
    EXPECT_NEAR(red[c], want_red[c], 1e-7);
    EXPECT_NEAR(green[c], want_green[c], 1e-7);
  }
}

// Orthogonal: length and sum are kept.
TEST(HueRotate, LengthAndSumStay) {
  for (double degrees = -350; degrees < 360; degrees += 13) {
    const std::vector<float> in = {0.7f, 0.1f, 0.35f}, out = Rotated(in, degrees);
    EXPECT_NEAR(out[0] + out[1] + out[2], in[0] + in[1] + in[2], 1e-6);
    EXPECT_NEAR(std::hypot(out[0], out[1], out[2]), std::hypot(in[0], in[1], in[2]), 1e-6);
  }
}

TEST(HueRotate, TurningBackUndoesIt) {
  const auto there = Rotated({0.7f, 0.1f, 0.35f}, 33), back = Rotated(there, -33);
  EXPECT_NEAR(back[0], 0.7, 1e-6);
  EXPECT_NEAR(back[1], 0.1, 1e-6);
  EXPECT_NEAR(back[2], 0.35, 1e-6);
}

}  // namespace
}  // namespace selvage::worker
