#include "proto/svg_path.h"

#include <cmath>
#include <numbers>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace selvage {
namespace {

using ::testing::HasSubstr;

SvgPath Parsed(std::string_view text) {
  auto path = ParseSvgPath(text);
  EXPECT_TRUE(path.ok()) << text << ": " << path.status();
  return path.ok() ? *path : SvgPath{};
}

std::string ErrorOf(std::string_view text) {
  auto path = ParseSvgPath(text);
  EXPECT_FALSE(path.ok()) << text;
  EXPECT_EQ(path.status().code(), absl::StatusCode::kInvalidArgument);
  return std::string(path.status().message());
}

// End points of the curves, start point first.
std::vector<double> Knots(const SubPath& s) {
  std::vector<double> knots = {s.xy[0], s.xy[1]};
  for (size_t i = 2; i < s.xy.size(); i += 6) knots.insert(knots.end(), {s.xy[i + 4], s.xy[i + 5]});
  return knots;
}

struct Xy {
  double x, y;
};
Xy At(const double* p, double t) {
  const double a = (1 - t) * (1 - t) * (1 - t), b = 3 * (1 - t) * (1 - t) * t, c = 3 * (1 - t) * t * t, d = t * t * t;
  return {a * p[0] + b * p[2] + c * p[4] + d * p[6], a * p[1] + b * p[3] + c * p[5] + d * p[7]};
}

// Shoelace formula over finely cut curves: positive where y grows downward and
// the outline turns from x towards y.
double Area(const SvgPath& path, int cuts = 2000) {
  double twice = 0;
  for (const SubPath& s : path.sub_paths) {
    std::vector<Xy> ring = {{s.xy[0], s.xy[1]}};
    for (size_t i = 0; i + 8 <= s.xy.size(); i += 6) {
      for (int k = 1; k <= cuts; ++k) ring.push_back(At(&s.xy[i], double(k) / cuts));
    }
    for (size_t i = 0; i < ring.size(); ++i) {
      const Xy a = ring[i], b = ring[(i + 1) % ring.size()];
      twice += a.x * b.y - b.x * a.y;
    }
  }
  return twice / 2;
}

TEST(SvgPath, LinesAreCurvesWithControlPointsAtThirds) {
  const SvgPath p = Parsed("M 0 0 L 3 6");
  ASSERT_EQ(p.sub_paths.size(), 1u);
  const std::vector<double>& xy = p.sub_paths[0].xy;
  ASSERT_EQ(xy.size(), 8u);
  EXPECT_DOUBLE_EQ(xy[2], 1);
  EXPECT_DOUBLE_EQ(xy[3], 2);
  EXPECT_DOUBLE_EQ(xy[4], 2);
  EXPECT_DOUBLE_EQ(xy[5], 4);
  EXPECT_EQ(xy[6], 3);
  EXPECT_EQ(xy[7], 6);
  EXPECT_EQ(p.commands, "ML");
}

TEST(SvgPath, EveryCommandHasARelativeForm) {
  const char* absolute = "M10 20 L30 20 H40 V50 C40 60 30 70 20 70 S10 60 10 50 Q0 40 5 30 T10 25 Z";
  const char* relative = "m10 20 l20 0 h10 v30 c0 10 -10 20 -20 20 s-10 -10 -10 -20 q-10 -10 -5 -20 t5 -5 z";
  const SvgPath a = Parsed(absolute), r = Parsed(relative);
  EXPECT_EQ(a.commands, "MLHVCSQTZ");
  EXPECT_EQ(a.commands, r.commands);
  ASSERT_EQ(a.sub_paths.size(), 1u);
  ASSERT_EQ(r.sub_paths.size(), 1u);
  ASSERT_EQ(a.sub_paths[0].xy.size(), r.sub_paths[0].xy.size());
  for (size_t i = 0; i < a.sub_paths[0].xy.size(); ++i) {
    EXPECT_NEAR(a.sub_paths[0].xy[i], r.sub_paths[0].xy[i], 1e-9) << i;
  }
}

// SVG 1.1, 8.3.2: pairs after the first of a moveto are lines.
TEST(SvgPath, PairsAfterMoveAreLines) {
  EXPECT_EQ(Parsed("M0 0 10 0 10 10").commands, "MLL");
  EXPECT_THAT(Knots(Parsed("m5 5 10 0 0 10").sub_paths[0]), testing::ElementsAre(5, 5, 15, 5, 15, 15));
}

TEST(SvgPath, ArgumentsRepeatTheCommand) {
  EXPECT_EQ(Parsed("M0 0H1 2 3V4 5").commands, "MHHHVV");
  EXPECT_EQ(Parsed("M0 0C1 1 2 2 3 3 4 4 5 5 6 6").commands, "MCC");
  EXPECT_EQ(Parsed("M0 0 T1 1 2 2 3 3").commands, "MTTT");
}

// SVG 1.1 grammar: "M.5.5-3-4" is (0.5, 0.5) then (-3, -4).
TEST(SvgPath, MinusAndSecondPointStartANumber) {
  EXPECT_THAT(Knots(Parsed("M.5.5-3-4").sub_paths[0]), testing::ElementsAre(0.5, 0.5, -3, -4));
  EXPECT_THAT(Knots(Parsed("M1.5.25L+2+3").sub_paths[0]), testing::ElementsAre(1.5, 0.25, 2, 3));
}

TEST(SvgPath, NumbersHaveExponentsAndBarePoints) {
  EXPECT_THAT(Knots(Parsed("M1e2,1E-1L1. .5e+1").sub_paths[0]), testing::ElementsAre(100, 0.1, 1, 5));
}

// SVG 1.1 grammar: flags are single characters, so "01" is two of them.
TEST(SvgPath, ArcFlagsAreSingleCharacters) {
  const SvgPath tight = Parsed("M 5 5 a1 1 0 01 10 10"), wide = Parsed("M 5 5 a 1 1 0 0 1 10 10");
  const SvgPath glued = Parsed("M5 5a1 1 0 0110 10");
  EXPECT_EQ(tight.sub_paths[0].xy, wide.sub_paths[0].xy);
  EXPECT_EQ(glued.sub_paths[0].xy, wide.sub_paths[0].xy);
  EXPECT_EQ(tight.commands, "MAAAAAAAA");
}

TEST(SvgPath, AreaOfPolygonsByShoelace) {
  EXPECT_DOUBLE_EQ(Area(Parsed("M10 10 H20 V30 H10 Z"), 1), 200);
  EXPECT_DOUBLE_EQ(Area(Parsed("M10 10 V30 H20 V10 Z"), 1), -200);
  // 3-4-5 triangle.
  EXPECT_DOUBLE_EQ(Area(Parsed("M0 0 L3 0 L3 4"), 1), 6);
  // A square with a square hole that runs the other way.
  EXPECT_DOUBLE_EQ(Area(Parsed("M0 0h10v10h-10z m2 2v3h3v-3z"), 1), 91);
}

// A parabola arch over chord b with control point at height h covers 2/3 of the
// triangle under its control point (Archimedes).
TEST(SvgPath, QuadraticCoversTwoThirdsOfItsTriangle) {
  EXPECT_NEAR(std::abs(Area(Parsed("M0 0 Q5 9 10 0 Z"))), 2.0 / 3 * 45, 1e-4);
}

TEST(SvgPath, ArcsMakeCirclesAndEllipses) {
  // Two half circles, radius 50: area pi r^2.
  EXPECT_NEAR(Area(Parsed("M0 50 A50 50 0 0 1 100 50 A50 50 0 0 1 0 50 Z")), std::numbers::pi * 2500, 0.05);
  // Ellipse 30 x 20, turned by 30 degrees: its area does not turn.
  const double x = 30 * std::cos(std::numbers::pi / 6), y = 30 * std::sin(std::numbers::pi / 6);
  char text[200];
  snprintf(text, sizeof text, "M%.9f %.9f A30 20 30 0 1 %.9f %.9f A30 20 30 0 1 %.9f %.9f Z", -x, -y, x, y, -x, -y);
  EXPECT_NEAR(Area(Parsed(text)), std::numbers::pi * 600, 0.05);
}

TEST(SvgPath, LargeArcAndSweepChooseAmongFourArcs) {
  // Quarter chord of a circle of radius 10: small segment r^2 (pi/2 - 1) / 2.
  const double small = 100 * (std::numbers::pi / 2 - 1) / 2, large = std::numbers::pi * 100 - small;
  EXPECT_NEAR(Area(Parsed("M10 0 A10 10 0 0 1 0 10 Z")), small, 1e-2);
  EXPECT_NEAR(Area(Parsed("M10 0 A10 10 0 0 0 0 10 Z")), -small, 1e-2);
  EXPECT_NEAR(Area(Parsed("M10 0 A10 10 0 1 1 0 10 Z")), large, 1e-2);
  EXPECT_NEAR(Area(Parsed("M10 0 A10 10 0 1 0 0 10 Z")), -large, 1e-2);
}

TEST(SvgPath, ArcStaysOnItsCircle) {
  const SvgPath p = Parsed("M1000 0 A1000 1000 0 1 1 0 -1000");
  const auto& xy = p.sub_paths[0].xy;
  for (size_t i = 0; i + 8 <= xy.size(); i += 6) {
    for (int k = 0; k <= 20; ++k) {
      const Xy q = At(&xy[i], k / 20.0);
      EXPECT_NEAR(std::hypot(q.x, q.y), 1000, 0.005);
    }
  }
}

// SVG 1.1 implementation notes F.6.2, F.6.6.
TEST(SvgPath, DegenerateArcs) {
  // A radius of 0 is a straight line.
  EXPECT_NEAR(Area(Parsed("M0 0 A0 5 0 0 1 10 0 L10 10 Z"), 1), 50, 1e-9);
  // Equal end points draw nothing.
  EXPECT_NEAR(Area(Parsed("M0 0 H10 A5 5 0 1 1 10 0 V10 Z"), 1), 50, 1e-9);
  // Radii too small are scaled up until they reach: a half circle of radius 50.
  EXPECT_NEAR(Area(Parsed("M0 0 A1 1 0 0 1 100 0 Z")), std::numbers::pi * 1250, 0.05);
  // Signs of radii are dropped.
  EXPECT_EQ(Parsed("M0 0 A-30 30 0 0 1 20 0").sub_paths[0].xy, Parsed("M0 0 A30 30 0 0 1 20 0").sub_paths[0].xy);
}

// 8.3.6: the first control point mirrors the second of the curve before, and is
// the current point after anything else.
TEST(SvgPath, SmoothCurvesMirrorTheControlPoint) {
  EXPECT_EQ(Parsed("M0 0C0 1 2 3 4 3S8 0 9 0").sub_paths[0].xy, Parsed("M0 0C0 1 2 3 4 3C6 3 8 0 9 0").sub_paths[0].xy);
  EXPECT_EQ(Parsed("M0 0L4 3S8 0 9 0").sub_paths[0].xy, Parsed("M0 0L4 3C4 3 8 0 9 0").sub_paths[0].xy);
  EXPECT_EQ(Parsed("M0 0Q2 4 4 0T8 0").sub_paths[0].xy, Parsed("M0 0Q2 4 4 0Q6 -4 8 0").sub_paths[0].xy);
  EXPECT_EQ(Parsed("M0 0C0 1 2 3 4 3T8 0").sub_paths[0].xy, Parsed("M0 0C0 1 2 3 4 3Q4 3 8 0").sub_paths[0].xy);
}

// 8.3.3: a command after Z without M starts at the same place.
TEST(SvgPath, DrawingAfterCloseStartsAtTheSameStart) {
  const SvgPath p = Parsed("M10 10h5v5zl-5 0v-5");
  ASSERT_EQ(p.sub_paths.size(), 2u);
  EXPECT_THAT(Knots(p.sub_paths[1]), testing::ElementsAre(10, 10, 5, 10, 5, 5));
}

TEST(SvgPath, EmptyAndLoneMovesCoverNothing) {
  EXPECT_TRUE(Parsed("").sub_paths.empty());
  EXPECT_TRUE(Parsed("  \n\t ").sub_paths.empty());
  EXPECT_TRUE(Parsed("M1 1 M2 2Z").sub_paths.empty());
}

TEST(SvgPath, ErrorsNameTheColumn) {
  EXPECT_EQ(ErrorOf("L 1 1"), "column 1: found \"L\", expected M: a path starts with M");
  EXPECT_EQ(ErrorOf("M 1"), "column 4: the path ends, expected a number");
  EXPECT_EQ(ErrorOf("M 1 1 X 2"), "column 7: found \"X\", expected a command (M L H V C S Q T A Z)");
  EXPECT_EQ(ErrorOf("M 1 1 L 2 two"), "column 11: found \"t\", expected a number");
  EXPECT_EQ(ErrorOf("M,1 1"), "column 2: found \",\", expected a number");
  EXPECT_EQ(ErrorOf("M 1,,1"), "column 5: found \",\", expected a number");
  EXPECT_EQ(ErrorOf("M 1 1,"), "column 7: the path ends, expected a number after the comma");
  EXPECT_EQ(ErrorOf("M 1 1,L2 2"), "column 7: found \"L\", expected a number after the comma");
  EXPECT_EQ(ErrorOf("M 1 1 A 1 1 0 2 0 3 3"), "column 15: found \"2\", expected an arc flag, 0 or 1");
  EXPECT_EQ(ErrorOf("M - 1"), "column 4: found \" \", expected a digit");
  EXPECT_EQ(ErrorOf("M 1e 1"), "column 5: found \" \", expected a digit of the exponent");
  EXPECT_EQ(ErrorOf("M 1e9 1"), "column 3: the number is beyond +-1e6");
  EXPECT_EQ(ErrorOf("M 1e999 1"), "column 3: the number is beyond +-1e6");
  EXPECT_EQ(ErrorOf("M 900000 0 l 900000 0"), "column 12: a point lies beyond +-1e6");
  EXPECT_EQ(ErrorOf("M 1 1 Z 5"), "column 9: found \"5\", expected a command (M L H V C S Q T A Z)");
  EXPECT_EQ(ErrorOf("M 1 \xc3\xa9"), "column 5: found byte 195, expected a number");
  EXPECT_EQ(ErrorOf("M nan 1"), "column 3: found \"n\", expected a number");
}

TEST(SvgPath, TheNumberOfCommandsIsBounded) {
  std::string most = "M0 0";
  for (int i = 1; i < 100'000; ++i) most += " 1 1";
  EXPECT_TRUE(ParseSvgPath(most).ok());
  EXPECT_THAT(ErrorOf(most + " 1 1"), HasSubstr("more than 100,000 commands"));
}

TEST(SvgPath, MixingIsExactAtBothEndsAndKeepsWhatStandsStill) {
  EXPECT_EQ(MixPoint(0.1, 0.7, 0), 0.1);
  EXPECT_EQ(MixPoint(0.1, 0.7, 1), 0.7);
  EXPECT_EQ(MixPoint(0.2, 0.2, 0.3), 0.2);
  EXPECT_NEAR(MixPoint(0.1, 0.7, 0.3), 0.28, 1e-12);
}

// However they are written: all are cubic curves in the end.
TEST(SvgPath, PathsOfAsManyCurvesCanMoveIntoEachOther) {
  const SvgPath box = Parsed("M0 0H10V5H0Z");
  for (const char* same :
       {"M0 0l10 0l0 5l-10 0z", "m1 1h10v5H1", "M0 0C1 1 2 2 3 3S4 4 5 5T6 6", "M0 0Q1 1 2 2t1 1 2 2"}) {
    EXPECT_TRUE(CanMove(box, Parsed(same))) << same;
  }
  EXPECT_TRUE(CanMove(Parsed("M0 0A5 5 0 0 1 5 5Z"), Parsed("M0 0l1 1l1 1l1 1l1 1l1 1l1 1l1 1l1 1")));
  for (const char* other : {"M0 0H10V5Z", "M0 0H10V5H0V0Z", "M0 0H10M1 1V5H0Z", ""}) {
    EXPECT_FALSE(CanMove(box, Parsed(other))) << other;
  }
}

}  // namespace
}  // namespace selvage
