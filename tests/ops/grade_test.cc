#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

// Channel c of a grade of the constant x (OPAQUE: channels x, 1.25 x, 1.5 x).
float Graded(float x, const std::string& params, int c = 0) {
  return OpTester("grade { " + params + " }").Main(MakeConstant(OPAQUE, {0, 0, 3, 2}, x)).Render().planes[c].at(1, 1);
}

TEST(Grade, LawsOfAllOperatorsHold) {
  OpTester(
      "grade { gain { r: 1.2 g: 0.9 b: 1 } lift { r: 0.1 g: 0 b: -0.02 } gamma { r: 1.4 g: 1 b: 0.7 }"
      " offset { r: 0 g: 0.03 b: -0.01 } stops { value: 0.5 } mask: \"m\" }")
      .CheckLaws();
}

TEST(Grade, DefaultsAreTheIdentity) {
  OpTester("grade {}").CheckIdentity();
  OpTester("grade { mask: \"m\" }").CheckIdentity();
}

// The formula of proto/ops/color.proto in the C library's binary64.
TEST(Grade, FollowsItsFormula) {
  const std::string params =
      "gain { r: 1.5 g: 0.5 b: 2 } lift { r: 0.2 g: -0.1 b: 0.05 } gamma { r: 2 g: 0.5 b: 1.3 }"
      " offset { r: 0.01 g: -0.3 b: 0.2 } stops { value: 1.5 }";
  const double gain[] = {1.5, 0.5, 2}, lift[] = {0.2, -0.1, 0.05}, gamma[] = {2, 0.5, 1.3},
               offset[] = {0.01, -0.3, 0.2};
  for (float x : {0.0f, 0.001f, 0.18f, 0.5f, 1.0f, 7.0f}) {
    for (int c = 0; c < 3; ++c) {
      const double in = x * (1 + 0.25 * c);
      double v = (in * gain[c] + lift[c] * (1 - in * gain[c])) * std::exp2(1.5);
      v = (v > 0 ? std::pow(v, 1 / gamma[c]) : v) + offset[c];
      EXPECT_NEAR(Graded(x, params, c), v, 1e-6 * std::max(1.0, std::fabs(v))) << x << " " << c;
    }
  }
}

TEST(Grade, OneStopDoubles) {
  EXPECT_EQ(Graded(0.18f, "stops { value: 1 }"), 0.36f);
  EXPECT_EQ(Graded(0.18f, "stops { value: -2 }"), 0.045f);
}

TEST(Grade, LiftRaisesBlackAndKeepsWhite) {
  EXPECT_EQ(Graded(0.0f, "lift { r: 0.25 g: 0.25 b: 0.25 }"), 0.25f);
  EXPECT_EQ(Graded(1.0f, "lift { r: 0.25 g: 0.25 b: 0.25 }"), 1.0f);
}

TEST(Grade, ValuesAtOrBelowZeroPassThePower) {
  EXPECT_EQ(Graded(-0.25f, "gamma { r: 2 g: 2 b: 2 }"), -0.25f);
  EXPECT_EQ(Graded(0.0f, "gamma { r: 2 g: 2 b: 2 }"), 0.0f);
}

TEST(Grade, TheMaskMixesAndItsEndsAreExact) {
  const Picture in = MakePicture(STRAIGHT, {0, 0, 140, 90}), mask = MakePicture(MATTE, {0, 0, 140, 90}, 3);
  const std::string params = "gain { r: 0.3 g: 1.7 b: 2 }";
  const Picture full = OpTester("grade { " + params + " }").Main(in).Render();
  const Picture mixed = OpTester("grade { " + params + " mask: \"m\" }").Main(in).With("mask", mask).Render();
  int ends[2] = {};
  for (int y = 0; y < 90; ++y) {
    for (int x = 0; x < 140; ++x) {
      const float m = mask.planes[0].at(x, y);
      ends[0] += m == 0;
      ends[1] += m == 1;
      for (int c = 0; c < 3; ++c) {
        const float a = in.planes[c].at(x, y), b = full.planes[c].at(x, y), got = mixed.planes[c].at(x, y);
        const float want = m == 0 ? a : m == 1 ? b : a + m * (b - a);
        ASSERT_NEAR(got, want, m == 0 || m == 1 ? 0 : 1e-6);
      }
      ASSERT_EQ(mixed.planes[3].at(x, y), in.planes[3].at(x, y));
    }
  }
  EXPECT_GT(ends[0], 0);
  EXPECT_GT(ends[1], 0);
}

}  // namespace
}  // namespace selvage::worker
