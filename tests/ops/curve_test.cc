#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

struct Point {
  double x, y;
};

std::string StepOf(const std::vector<Point>& points, const std::string& more = "") {
  std::string text = "curve { ";
  for (const Point& p : points) absl::StrAppend(&text, "point { x: ", p.x, " y: ", p.y, " } ");
  return absl::StrCat(text, more, " }");
}

// The curve at each of these values.
std::vector<float> Through(const std::vector<Point>& points, const std::vector<float>& values) {
  Picture in;
  in.kind = MATTE;
  in.planes.emplace_back(Rect{0, 0, static_cast<int>(values.size()), 1});
  std::copy(values.begin(), values.end(), in.planes[0].row(0));
  const Picture out = OpTester(StepOf(points)).Main(in).Render();
  return {out.planes[0].row(0), out.planes[0].row(0) + values.size()};
}

std::vector<float> Ramp(float from, float to, int count) {
  std::vector<float> values;
  for (int i = 0; i < count; ++i)
    values.push_back(from + (to - from) * static_cast<float>(i) / static_cast<float>(count - 1));
  return values;
}

const std::vector<Point> kShoulder = {{0, 0}, {0.2, 0.05}, {0.5, 0.7}, {0.9, 0.95}, {1.5, 1}};

TEST(Curve, LawsOfAllOperatorsHold) {
  OpTester(StepOf(kShoulder)).CheckLaws();
  OpTester(StepOf({{0, 1}, {1, 1}})).CheckLaws();
  OpTester(StepOf(kShoulder, "channels: GREEN")).CheckLaws();
}

TEST(Curve, TheDiagonalIsTheIdentity) { OpTester(StepOf({{0, 0}, {1, 1}})).CheckIdentity(); }

TEST(Curve, GoesThroughItsPoints) {
  for (const Point& p : kShoulder)
    EXPECT_FLOAT_EQ(Through(kShoulder, {static_cast<float>(p.x)})[0], static_cast<float>(p.y));
}

TEST(Curve, RisingPointsGiveARisingCurve) {
  const std::vector<Point> steep = {{0, 0}, {0.1, 0.001}, {0.11, 0.9}, {0.5, 0.9}, {0.6, 1}, {2, 1.0001}};
  for (const auto& points : {kShoulder, steep}) {
    const auto out = Through(points, Ramp(-1, 3, 40001));
    for (size_t i = 1; i < out.size(); ++i) ASSERT_GE(out[i], out[i - 1]) << i;
  }
}

TEST(Curve, NeverLeavesTheRangeOfTwoNeighbours) {
  const std::vector<Point> zigzag = {{0, 0}, {1, 1}, {2, -1}, {3, -1}, {4, 5}};
  for (size_t k = 0; k + 1 < zigzag.size(); ++k) {
    const double low = std::min(zigzag[k].y, zigzag[k + 1].y), high = std::max(zigzag[k].y, zigzag[k + 1].y);
    for (float v : Through(zigzag, Ramp(static_cast<float>(zigzag[k].x), static_cast<float>(zigzag[k + 1].x), 501))) {
      ASSERT_GE(v, low - 1e-6);
      ASSERT_LE(v, high + 1e-6);
    }
  }
}

TEST(Curve, BeyondTheEndsIsStraight) {
  // End slopes are the secants 2 and 0.5.
  const std::vector<Point> points = {{0, 0}, {1, 2}, {3, 3}};
  const auto out = Through(points, {-1, -100, 4, 203});
  EXPECT_FLOAT_EQ(out[0], -2);
  EXPECT_FLOAT_EQ(out[1], -200);
  EXPECT_FLOAT_EQ(out[2], 3.5f);
  EXPECT_FLOAT_EQ(out[3], 103);
}

TEST(Curve, TheSlopeHasNoJumpAtAPoint) {
  for (size_t k = 1; k + 1 < kShoulder.size(); ++k) {
    const auto x = static_cast<float>(kShoulder[k].x);
    const auto out = Through(kShoulder, {x - 1e-3f, x, x + 1e-3f});
    EXPECT_NEAR((out[1] - out[0]) / 1e-3, (out[2] - out[1]) / 1e-3, 0.05) << k;
  }
}

// Fritsch & Carlson 1980 by hand for one segment that must be limited: secants
// 0.25 and 0.65 / 0.3, slopes drawn in to the circle alpha^2 + beta^2 = 9.
TEST(Curve, SlopesAreLimitedAsFritschAndCarlsonSay) {
  const std::vector<Point> points = {{0, 0}, {0.2, 0.05}, {0.5, 0.7}};
  const double d0 = 0.25, d1 = 0.65 / 0.3;
  double m0 = d0, m1 = (d0 + d1) / 2;
  const double a = m0 / d0, b = m1 / d0, tau = 3 / std::sqrt(a * a + b * b);
  ASSERT_GT(a * a + b * b, 9);
  m0 = tau * a * d0;
  m1 = tau * b * d0;
  // Cubic Hermite at the middle of the first segment: (y0 + y1)/2 + h (m0 - m1)/8.
  EXPECT_NEAR(Through(points, {0.1f})[0], 0.025 + 0.2 * (m0 - m1) / 8, 1e-7);
}

TEST(Curve, OneChannelLeavesTheOthers) {
  const Picture in = MakePicture(STRAIGHT, {0, 0, 60, 50});
  const Picture all = OpTester(StepOf(kShoulder)).Main(in).Render();
  const Picture green = OpTester(StepOf(kShoulder, "channels: GREEN")).Main(in).Render();
  for (int y = 0; y < 50; ++y) {
    for (int x = 0; x < 60; ++x) {
      ASSERT_EQ(green.planes[0].at(x, y), in.planes[0].at(x, y));
      ASSERT_EQ(green.planes[1].at(x, y), all.planes[1].at(x, y));
      ASSERT_EQ(green.planes[2].at(x, y), in.planes[2].at(x, y));
      ASSERT_EQ(all.planes[3].at(x, y), in.planes[3].at(x, y));
    }
  }
}

TEST(Curve, BadPointsAreNamed) {
  struct Case {
    std::vector<Point> points;
    const char* says;
  };
  for (const Case& c : {Case{{{0, 0}}, "at least two"}, Case{{{0, 0}, {0.5, 1}, {0.5, 2}}, "point[2]"},
                        Case{{{1, 0}, {0, 1}}, "point[1]"}}) {
    const auto result = OpTester(StepOf(c.points)).TryRender();
    EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
    EXPECT_THAT(std::string(result.status().message()), testing::HasSubstr(c.says));
  }
}

}  // namespace
}  // namespace selvage::worker
