#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

const Rect kRect{-4, 2, 120, 90};

Picture WeightedSum(const Picture& color, float wr, float wg, float wb) {
  Picture matte;
  matte.kind = MATTE;
  matte.planes.push_back(Plane(color.rect()));
  const Rect& r = color.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      matte.planes[0].at(x, y) =
          wr * color.planes[0].at(x, y) + wg * color.planes[1].at(x, y) + wb * color.planes[2].at(x, y);
    }
  }
  return matte;
}

TEST(HairContrast, KeepsTheLawsOfAllOperators) {
  OpTester("hair_contrast {}").CheckLaws();
  OpTester(
      "hair_contrast { rotate { value: 40 } weights { r: -1 g: 2 b: 0.3 } black { value: 0.2 }"
      " white { value: 0.7 } gamma { value: 1.4 } invert: true }")
      .CheckLaws();
  OpTester("hair_contrast { black { value: 0.3 } white { value: 0.3 } }").CheckLaws();
}

// The recipe step by step, through the operators that it stands for.
TEST(HairContrast, IsHueRotateThenWeightsThenLevelsToTheBit) {
  const Picture in = MakePicture(OPAQUE, kRect);
  const char* levels = "black { value: 0.12 } white { value: 0.44 } gamma { value: 0.8 } invert: true";
  ForEverySimdTarget([&] {
    const Picture turned = OpTester("hue_rotate { rotate { value: -35 } }").Main(in).Render();
    const Picture matte = WeightedSum(turned, 0.9f, -0.4f, 0.5f);
    EXPECT_TRUE(
        SameBits(OpTester(std::string("hair_contrast { rotate { value: -35 } weights { r: 0.9 g: -0.4 b: 0.5 } ") +
                          levels + " }")
                     .Main(in)
                     .Render(),
                 OpTester(std::string("levels { ") + levels + " }").Main(matte).Render()));
    EXPECT_TRUE(SameBits(
        OpTester(std::string("hair_contrast { ") + levels + " }").Main(in).Render(),
        OpTester(std::string("levels { ") + levels + " }").Main(WeightedSum(in, 0.2126f, 0.7152f, 0.0722f)).Render()));
  });
}

TEST(HairContrast, WhiteBelowBlackIsRefused) {
  const auto out = OpTester("hair_contrast { black { value: 0.5 } white { value: 0.4 } }").TryRender();
  EXPECT_EQ(out.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
