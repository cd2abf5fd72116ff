#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 9, 7};

float MatteOf(const std::string& step, float r, float g, float b) {
  Picture p;
  p.kind = STRAIGHT;
  for (float v : {r, g, b, 0.5f}) p.planes.push_back(Plane::Filled(kRect, v));
  return OpTester(step).Main(p).Render().planes[0].at(3, 3);
}

TEST(LumaRange, KeepsTheLawsOfAllOperators) {
  OpTester("luma_range {}").CheckLaws();
  OpTester(
      "luma_range { low { value: 0.1 } low_full { value: 0.2 } high_full { value: 0.3 } high { value: 0.5 } invert: "
      "true }")
      .CheckLaws();
}

TEST(LumaRange, DefaultIsLuminanceClampedToOne) {
  // BT.709 weights; (0.1, 0.7, 0.2) gives 0.53634; derived again from the primaries and D65.
  EXPECT_NEAR(MatteOf("luma_range {}", 0.1f, 0.7f, 0.2f), 0.53634, 1e-5);
  EXPECT_EQ(MatteOf("luma_range {}", 3, 3, 3), 1);
  EXPECT_EQ(MatteOf("luma_range {}", -1, -1, -1), 0);
}

TEST(LumaRange, IsATrapezoid) {
  const std::string step =
      "luma_range { weights { g: 1 } low { value: 1 } low_full { value: 2 } high_full { value: 4 } high { value: 8 } ";
  for (const auto& [v, height] : {std::pair{0.f, 0.f},
                                  {1.f, 0.f},
                                  {1.25f, .25f},
                                  {2.f, 1.f},
                                  {3.f, 1.f},
                                  {4.f, 1.f},
                                  {5.f, .75f},
                                  {8.f, 0.f},
                                  {9.f, 0.f}}) {
    EXPECT_EQ(MatteOf(step + "}", 7, v, 7), height) << v;
    EXPECT_EQ(MatteOf(step + "invert: true }", 7, v, 7), 1 - height) << v;
  }
}

TEST(LumaRange, SlopesOfNoWidthAreSteps) {
  const std::string step =
      "luma_range { weights { r: 1 } low { value: 1 } low_full { value: 1 } high_full { value: 2 } high { value: 2 } }";
  EXPECT_EQ(MatteOf(step, 0.999f, 0, 0), 0);
  EXPECT_EQ(MatteOf(step, 1, 0, 0), 1);
  EXPECT_EQ(MatteOf(step, 2, 0, 0), 1);
  EXPECT_EQ(MatteOf(step, 2.001f, 0, 0), 0);
}

TEST(LumaRange, WeightsMixChannels) {
  EXPECT_EQ(MatteOf("luma_range { weights { r: 2 g: -1 b: 0.5 } }", 0.5f, 0.75f, 0.5f), 0.5f);
}

TEST(LumaRange, CornersThatDoNotAscendAreRefused) {
  const auto bad = OpTester("luma_range { low { value: 2 } }").Main(MakePicture(OPAQUE, kRect)).TryRender();
  EXPECT_EQ(bad.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
