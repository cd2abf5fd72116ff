#include "worker/inputs/mask.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <limits>
#include <string>

#include "proto/svg_path.h"

namespace selvage::worker {
namespace {

constexpr double kPi = 3.14159265358979323846;

ResolvedMask::Shape* AddShape(const std::string& path, ResolvedMask* mask) {
  auto* shape = mask->add_shape();
  shape->set_opacity(1);
  const auto parsed = ParseSvgPath(path);
  EXPECT_TRUE(parsed.ok()) << parsed.status();
  for (const SubPath& sub : parsed->sub_paths) {
    auto* out = shape->add_path();
    for (double v : sub.xy) out->add_xy(v);
  }
  return shape;
}

ResolvedMask MaskOf(const std::string& path, double feather = 0, Mask::Rule rule = Mask::NONZERO) {
  ResolvedMask mask;
  auto* shape = AddShape(path, &mask);
  shape->set_feather(feather);
  shape->set_rule(rule);
  return mask;
}

Plane Draw(const ResolvedMask& mask, const Rect& rect) {
  Plane plane(rect);
  const absl::Status status = RenderMask(mask, &plane);
  EXPECT_TRUE(status.ok()) << status;
  return plane;
}

double Sum(const Plane& p) {
  double sum = 0;
  for (int y = p.rect().y0; y < p.rect().y1; ++y) {
    for (int x = p.rect().x0; x < p.rect().x1; ++x) sum += p.at(x, y);
  }
  return sum;
}

const char kStar[] = "M 50 5 L 78.3 91.2 L 4.7 37.9 L 95.3 37.9 L 21.7 91.2 Z";
// Two overlapping loops of curves, one inside the other's filled part.
const char kBlobs[] =
    "M 20.3 40.7 C 20 10 80.5 5 90 40 C 95 80 30 99 20.3 40.7 Z M 60 30 C 90 30 110 60 70.2 80.9 C 40 90 50 35 60 30 Z";

TEST(Mask, RectangleAtFractionalPositionsHasHandComputedCoverage) {
  const Plane p = Draw(MaskOf("M 2.25 1.5 H 5.75 V 3.125 H 2.25 Z"), {0, 0, 8, 5});
  // Widths .75 1 1 .75 of columns 2-5, heights .5 1 .125 of rows 1-3.
  EXPECT_EQ(p.at(1, 1), 0);
  EXPECT_EQ(p.at(2, 1), 0.75f * 0.5f);
  EXPECT_EQ(p.at(3, 1), 0.5f);
  EXPECT_EQ(p.at(5, 1), 0.75f * 0.5f);
  EXPECT_EQ(p.at(2, 2), 0.75f);
  EXPECT_EQ(p.at(3, 2), 1);
  EXPECT_EQ(p.at(4, 2), 1);
  EXPECT_EQ(p.at(6, 2), 0);
  EXPECT_EQ(p.at(2, 3), 0.75f * 0.125f);
  EXPECT_EQ(p.at(4, 3), 0.125f);
  EXPECT_EQ(p.at(4, 4), 0);
}

TEST(Mask, TriangleHasHandComputedCoverage) {
  // Right of x = y, left of x = 4: half a pixel on the diagonal.
  const Plane p = Draw(MaskOf("M 0 0 L 4 4 L 4 0 Z"), {0, 0, 5, 5});
  for (int y = 0; y < 5; ++y) {
    for (int x = 0; x < 5; ++x)
      EXPECT_EQ(p.at(x, y), x >= 4 || y >= 4 ? 0 : x > y ? 1 : x == y ? 0.5f : 0) << x << "," << y;
  }
  // The edge from (0, 0) to (3, 1) leaves 1/6, 1/2 and 5/6 of row 0 above it.
  const Plane q = Draw(MaskOf("M 0 0 L 3 1 V 0 Z"), {0, 0, 3, 1});
  EXPECT_NEAR(q.at(0, 0), 1.0 / 6, 1e-7);
  EXPECT_NEAR(q.at(1, 0), 0.5, 1e-7);
  EXPECT_NEAR(q.at(2, 0), 5.0 / 6, 1e-7);
}

TEST(Mask, AreaOfAPolygonIsTheShoelaceArea) {
  const double xy[][2] = {{10.3, 7.9}, {61.7, 3.2}, {88.8, 55.5}, {40.1, 33.3}, {13.9, 90.4}};
  std::string path;
  double area = 0;
  for (int i = 0; i < 5; ++i) {
    path += (i ? " L " : "M ") + std::to_string(xy[i][0]) + " " + std::to_string(xy[i][1]);
    const auto& next = xy[(i + 1) % 5];
    area += 0.5 * (xy[i][0] * next[1] - next[0] * xy[i][1]);
  }
  EXPECT_NEAR(Sum(Draw(MaskOf(path), {0, 0, 100, 100})), std::abs(area), 1e-4);
}

TEST(Mask, AreaOfACircleIsPiRSquared) {
  // Chords at most 1/256 px inside: area at most 2/3 of that times the circumference short.
  const Plane p = Draw(MaskOf("M 90 50 A 40 40 0 1 1 10 50 A 40 40 0 1 1 90 50 Z"), {0, 0, 100, 100});
  EXPECT_NEAR(Sum(p), kPi * 1600, 2.0 / 3 / 256 * 2 * kPi * 40 + 0.2);
  EXPECT_EQ(p.at(50, 50), 1);
}

TEST(Mask, StarIsHollowUnderEvenOddOnly) {
  const Plane full = Draw(MaskOf(kStar), {0, 0, 100, 100});
  const Plane hollow = Draw(MaskOf(kStar, 0, Mask::EVENODD), {0, 0, 100, 100});
  EXPECT_EQ(full.at(50, 50), 1);
  EXPECT_EQ(hollow.at(50, 50), 0);
  EXPECT_EQ(full.at(50, 20), 1);
  EXPECT_EQ(hollow.at(50, 20), 1);
  // Signed area counts the pentagon twice: signed = nonzero + pentagon, and
  // evenodd = nonzero - pentagon.
  double signed_area = 0;
  const double xy[][2] = {{50, 5}, {78.3, 91.2}, {4.7, 37.9}, {95.3, 37.9}, {21.7, 91.2}};
  for (int i = 0; i < 5; ++i) {
    const auto& n = xy[(i + 1) % 5];
    signed_area += 0.5 * (xy[i][0] * n[1] - n[0] * xy[i][1]);
  }
  EXPECT_NEAR(2 * Sum(full) - Sum(hollow), std::abs(signed_area), 1e-3);
}

TEST(Mask, OverlappingSubPathsAreFilledOnceUnderNonZero) {
  // 10 x 10 and 10 x 10, overlapping in 5 x 4, at fractional positions.
  const std::string path = "M 1.5 1.25 h 10 v 10 h -10 Z M 6.5 7.25 h 10 v 10 h -10 Z";
  EXPECT_NEAR(Sum(Draw(MaskOf(path), {0, 0, 20, 20})), 180, 1e-5);
  EXPECT_NEAR(Sum(Draw(MaskOf(path, 0, Mask::EVENODD), {0, 0, 20, 20})), 160, 1e-5);
  // Opposite directions leave nothing of what lies on both.
  const std::string opposed = "M 1.5 1.25 h 10 v 10 h -10 Z M 6.5 7.25 v 10 h 10 v -10 Z";
  EXPECT_NEAR(Sum(Draw(MaskOf(opposed), {0, 0, 20, 20})), 160, 1e-5);
}

TEST(Mask, CrossingInsideAPixelIsExact) {
  // A bow tie: two triangles of 1/4 meet in the middle of the pixel.
  const Plane p = Draw(MaskOf("M 0 0 L 1 1 L 1 0 L 0 1 Z"), {0, 0, 1, 1});
  EXPECT_NEAR(p.at(0, 0), 0.5, 1e-7);
}

TEST(Mask, TileIsTheSameAsTheWhole) {
  for (double feather : {0.0, 7.5, -7.5}) {
    for (Mask::Rule rule : {Mask::NONZERO, Mask::EVENODD}) {
      for (const char* path : {kStar, kBlobs}) {
        const ResolvedMask mask = MaskOf(path, feather, rule);
        const Plane whole = Draw(mask, {-20, -20, 120, 120});
        for (const Rect& r :
             {Rect{-20, -20, 15, 33}, Rect{13, 33, 50, 57}, Rect{50, 17, 51, 90}, Rect{70, 70, 120, 120}}) {
          const Plane tile = Draw(mask, r);
          for (int y = r.y0; y < r.y1; ++y) {
            for (int x = r.x0; x < r.x1; ++x) {
              const float a = whole.at(x, y), b = tile.at(x, y);
              ASSERT_EQ(std::memcmp(&a, &b, sizeof a), 0) << x << "," << y << " feather " << feather << " " << path;
            }
          }
        }
      }
    }
  }
}

TEST(Mask, FarTilesAreConstant) {
  const ResolvedMask mask = MaskOf("M 0 0 H 1000 V 1000 H 0 Z", 20);
  EXPECT_EQ(Draw(mask, {256, 256, 512, 512}).constant, 1.0f);
  EXPECT_EQ(Draw(mask, {1024, 256, 1280, 512}).constant, 0.0f);
  EXPECT_FALSE(Draw(mask, {1010, 256, 1266, 512}).constant.has_value());
}

TEST(Mask, EmptyMaskIsZeroAndInvertedOne) {
  ResolvedMask mask;
  EXPECT_EQ(Draw(mask, {0, 0, 4, 4}).constant, 0.0f);
  mask.set_invert(true);
  EXPECT_EQ(Draw(mask, {0, 0, 4, 4}).constant, 1.0f);
}

TEST(Mask, FeatherIsSmoothstepOfTheDistanceToTheEdge) {
  const auto smooth = [](double t) { return t * t * (3 - 2 * t); };
  const std::string path = "M 20 20 H 60 V 60 H 20 Z";
  const Plane out = Draw(MaskOf(path, 8), {0, 0, 80, 80});
  const Plane in = Draw(MaskOf(path, -8), {0, 0, 80, 80});
  for (int i = 0; i < 12; ++i) {
    const double d = i + 0.5;
    EXPECT_NEAR(out.at(60 + i, 40), d < 8 ? 1 - smooth(d / 8) : 0, 1e-6);
    EXPECT_NEAR(in.at(59 - i, 40), d < 8 ? smooth(d / 8) : 1, 1e-6);
    EXPECT_EQ(out.at(59 - i, 40), 1);
    EXPECT_EQ(in.at(60 + i, 40), 0);
  }
  // Round the corner the distance is Euclidean: 3.5 right and 2.5 below it.
  EXPECT_NEAR(out.at(63, 62), 1 - smooth(std::sqrt(3.5 * 3.5 + 2.5 * 2.5) / 8), 1e-6);
}

TEST(Mask, FeatherOfACurveFollowsTheTrueDistance) {
  const Plane p = Draw(MaskOf("M 90 50 A 40 40 0 1 1 10 50 A 40 40 0 1 1 90 50 Z", -10), {0, 0, 100, 100});
  for (int y = 0; y < 100; ++y) {
    for (int x = 0; x < 100; ++x) {
      const double d = 40 - std::hypot(x + 0.5 - 50, y + 0.5 - 50);
      if (std::abs(d) < 1) continue;  // coverage has a say there
      const double t = std::clamp(d / 10, 0.0, 1.0);
      ASSERT_NEAR(p.at(x, y), t * t * (3 - 2 * t), 2e-3) << x << "," << y;
    }
  }
}

TEST(Mask, SmallFeatherTendsToCoverage) {
  const Plane hard = Draw(MaskOf(kBlobs), {0, 0, 120, 120});
  for (double feather : {1e-5, -1e-5}) {
    const Plane soft = Draw(MaskOf(kBlobs, feather), {0, 0, 120, 120});
    int unlike = 0;
    for (int y = 0; y < 120; ++y) {
      for (int x = 0; x < 120; ++x) unlike += std::abs(hard.at(x, y) - soft.at(x, y)) > 1e-6;
    }
    EXPECT_EQ(unlike, 0);
  }
}

TEST(Mask, InwardFeatherLeavesNoSeamWhereFilledPartsOverlap) {
  // Two squares overlapping, and a slit cut and closed again (x = 40).
  const std::string path = "M 10 10 H 60 V 60 H 10 Z M 30 30 H 90 V 90 H 30 Z M 40 40 V 50 V 40 Z";
  const Plane p = Draw(MaskOf(path, -6), {0, 0, 100, 100});
  for (int i = 38; i < 52; ++i) {
    EXPECT_EQ(p.at(i, 45), 1) << i;  // across x = 40
    EXPECT_EQ(p.at(45, i), 1) << i;
  }
  EXPECT_EQ(p.at(34, 50), 1);    // the second square's edge x = 30, inside the first
  EXPECT_LT(p.at(33, 70), 0.7);  // and the same edge where it is outline
}

TEST(Mask, ShapesCombineInOrder) {
  ResolvedMask mask;
  AddShape("M 0 0 H 10 V 10 H 0 Z", &mask)->set_opacity(0.5);
  AddShape("M 5 0 H 15 V 10 H 5 Z", &mask)->set_opacity(0.75);
  auto* hole = AddShape("M 0 4 H 15 V 6 H 0 Z", &mask);
  hole->set_subtract(true);
  hole->set_opacity(0.5);
  Plane p = Draw(mask, {0, 0, 16, 10});
  EXPECT_EQ(p.at(2, 2), 0.5f);
  EXPECT_EQ(p.at(7, 2), 0.75f);
  EXPECT_EQ(p.at(12, 2), 0.75f);
  EXPECT_EQ(p.at(2, 5), 0.25f);
  EXPECT_EQ(p.at(7, 5), 0.375f);
  EXPECT_EQ(p.at(15, 2), 0);
  mask.set_invert(true);
  p = Draw(mask, {0, 0, 16, 10});
  EXPECT_EQ(p.at(7, 5), 0.625f);
  EXPECT_EQ(p.at(15, 2), 1);
}

TEST(Mask, CrowdedRowsStayCloseToTheArea) {
  // 600 teeth across 60 px: the ones' areas are exact in sum.
  std::string path = "M 0 10";
  for (int i = 0; i < 600; ++i)
    path += " L " + std::to_string(i * 0.1 + 0.05) + " 0 L " + std::to_string((i + 1) * 0.1) + " 10";
  const Plane p = Draw(MaskOf(path), {0, 0, 61, 10});
  EXPECT_NEAR(Sum(p), 300, 0.5);
  for (int x = 0; x < 60; ++x) {
    for (int y = 0; y < 10; ++y) EXPECT_NEAR(p.at(x, y), (y + 0.5) / 10, 1.0 / 256) << x << "," << y;
  }
}

// A straight edge that moves by `way` pixels while the shutter is open.
ResolvedMask Sweep(double from, double way, int instants) {
  ResolvedMask mask;
  for (int i = 0; i < instants; ++i) {
    const std::string x = std::to_string(from + way * (i + 0.5) / instants);
    AddShape("M -50 -50 H " + x + " V 50 H -50 Z", &mask);
  }
  mask.set_instants(instants);
  return mask;
}

// Of a pixel, the share of place and time that the edge has passed: for a way of
// `way` >= 1 a ramp that long, rounded off by half a pixel at both ends. Taken at
// instants h apart, a kink of slope s costs s h^2 / 8 at most, and a pixel has two.
TEST(Mask, MovingEdgeGivesALinearRamp) {
  const double from = 10.3;
  for (const auto& [way, instants] : {std::pair{6.0, 8}, {13.0, 16}, {40.0, 64}}) {
    const Plane p = Draw(Sweep(from, way, instants), {0, 0, 64, 1});
    // Area under min(1, max(0, (from + way - x) / way)) from x = 0.
    const auto area = [&](double x) {
      const double t = std::clamp(x, from, from + way) - from;
      return std::min(x, from) + t - t * t / (2 * way);
    };
    for (int x = 0; x < 64; ++x)
      EXPECT_NEAR(p.at(x, 0), area(x + 1) - area(x), 0.25 * way / (instants * instants) + 1e-5) << x;
  }
}

// Sums of equal values round on the way, by a bit or two.
TEST(Mask, InstantsThatAgreeAreTheMaskItself) {
  const ResolvedMask one = MaskOf(kBlobs, 3);
  ResolvedMask many = one;
  for (int i = 1; i < 8; ++i) *many.add_shape() = one.shape(0);
  many.set_instants(8);
  const Plane a = Draw(one, {0, 0, 120, 120}), b = Draw(many, {0, 0, 120, 120});
  for (int y = 0; y < 120; ++y) {
    for (int x = 0; x < 120; ++x) ASSERT_NEAR(a.at(x, y), b.at(x, y), 3e-7) << x << ", " << y;
  }
}

TEST(Mask, EachInstantIsDrawnByItself) {
  // A hole that moves with its shape: nowhere is all covered at all times.
  ResolvedMask mask;
  for (int i = 0; i < 8; ++i) {
    AddShape("M " + std::to_string(i) + " 0 h 8 v 8 h -8 Z", &mask);
    AddShape("M " + std::to_string(i + 3) + " 0 h 2 v 8 h -2 Z", &mask)->set_subtract(true);
  }
  mask.set_instants(8);
  const Plane p = Draw(mask, {0, 0, 20, 8});
  // Covered by instants 0 to 7 but for those whose hole is there: 3 and 4.
  EXPECT_EQ(p.at(7, 3), 0.75f);
  EXPECT_EQ(p.at(0, 3), 0.125f);
  EXPECT_EQ(p.at(15, 3), 0);
  mask.set_invert(true);
  EXPECT_EQ(Draw(mask, {0, 0, 20, 8}).at(7, 3), 0.25f);
}

TEST(Mask, MovingMaskIsConstantFarFromItsEdges) {
  const ResolvedMask mask = Sweep(10, 6, 8);
  EXPECT_EQ(Draw(mask, {-30, -20, 5, 20}).constant, 1.0f);
  EXPECT_EQ(Draw(mask, {20, 0, 50, 20}).constant, 0.0f);
  // A tile is the same as the whole.
  const Plane whole = Draw(mask, {0, 0, 40, 40}), tile = Draw(mask, {11, 5, 14, 9});
  for (int y = 5; y < 9; ++y) {
    for (int x = 11; x < 14; ++x) EXPECT_EQ(whole.at(x, y), tile.at(x, y));
  }
}

TEST(Mask, MalformedPathsAreRefused) {
  ResolvedMask mask;
  auto* path = mask.add_shape()->add_path();
  for (int i = 0; i < 7; ++i) path->add_xy(i);
  Plane p(Rect{0, 0, 4, 4});
  EXPECT_EQ(RenderMask(mask, &p).code(), absl::StatusCode::kInvalidArgument);
  path->add_xy(std::numeric_limits<double>::quiet_NaN());
  EXPECT_EQ(RenderMask(mask, &p).code(), absl::StatusCode::kInvalidArgument);
  ResolvedMask uneven = MaskOf("M 0 0 H 4 V 4 Z");
  uneven.set_instants(8);
  EXPECT_EQ(RenderMask(uneven, &p).code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
