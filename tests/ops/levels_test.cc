#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

float LevelsOf(float x, const std::string& params) {
  const Picture in = MakeConstant(MATTE, {0, 0, 3, 2}, x);
  return OpTester("levels { " + params + " }").Main(in).Render().planes[0].at(1, 1);
}

TEST(Levels, DefaultsAreTheIdentity) { OpTester("levels {}").CheckIdentity(); }

TEST(Levels, BlackBecomesZeroAndWhiteOne) {
  const std::string params = "black { value: 0.25 } white { value: 0.75 }";
  EXPECT_EQ(LevelsOf(0.25f, params), 0.0f);
  EXPECT_EQ(LevelsOf(0.75f, params), 1.0f);
  EXPECT_EQ(LevelsOf(0.5f, params), 0.5f);
}

TEST(Levels, ClampsUnlessToldNotTo) {
  const std::string params = "black { value: 0.25 } white { value: 0.75 }";
  EXPECT_EQ(LevelsOf(0.0f, params), 0.0f);
  EXPECT_EQ(LevelsOf(1.0f, params), 1.0f);
  EXPECT_EQ(LevelsOf(0.0f, params + " unclamped: true"), -0.5f);
  EXPECT_EQ(LevelsOf(1.0f, params + " unclamped: true"), 1.5f);
}

TEST(Levels, GammaAboveOneLiftsTheMiddle) {
  EXPECT_FLOAT_EQ(LevelsOf(0.25f, "gamma { value: 2 }"), 0.5f);
  for (float x : {0.01f, 0.18f, 0.5f, 0.9f}) {
    EXPECT_NEAR(LevelsOf(x, "gamma { value: 2.2 }"), std::pow(x, 1 / 2.2), 1e-7);
    EXPECT_NEAR(LevelsOf(x, "gamma { value: 0.4 }"), std::pow(x, 1 / 0.4), 1e-7);
  }
}

TEST(Levels, NegativeValuesPassThePower) {
  EXPECT_EQ(LevelsOf(-0.25f, "gamma { value: 2 } unclamped: true"), -0.25f);
  EXPECT_EQ(LevelsOf(0.0f, "gamma { value: 2 } unclamped: true"), 0.0f);
}

TEST(Levels, InvertComesAfterThePower) {
  EXPECT_FLOAT_EQ(LevelsOf(0.25f, "gamma { value: 2 } invert: true"), 0.5f);
  EXPECT_FLOAT_EQ(LevelsOf(0.2f, "invert: true"), 0.8f);
}

TEST(Levels, EqualBlackAndWhiteIsAThreshold) {
  const std::string params = "black { value: 0.5 } white { value: 0.5 } gamma { value: 3 }";
  EXPECT_EQ(LevelsOf(0.49f, params), 0.0f);
  EXPECT_EQ(LevelsOf(0.5f, params), 1.0f);
  EXPECT_EQ(LevelsOf(0.51f, params), 1.0f);
  EXPECT_EQ(LevelsOf(0.51f, params + " invert: true"), 0.0f);
}

TEST(Levels, WhiteBelowBlackIsAnError) {
  const auto result = OpTester("levels { black { value: 0.6 } white { value: 0.5 } }").TryRender();
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(result.status().message(), "step 1 (levels): white is below black");
}

TEST(Levels, Laws) {
  OpTester("levels { black { value: 0.1 } white { value: 0.8 } }").CheckLaws();
  OpTester("levels { gamma { value: 1.7 } invert: true }").CheckLaws();
  OpTester("levels { black { value: 0.5 } white { value: 0.5 } unclamped: true }").CheckLaws();
}

}  // namespace
}  // namespace selvage::worker
