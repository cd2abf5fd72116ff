#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 20, 10};

TEST(Within, MultipliesAMatte) {
  const Picture out = OpTester("within { mask: 'm' }")
                          .Main(MakeConstant(MATTE, kRect, 0.5f))
                          .With("mask", MakeConstant(MATTE, kRect, 0.25f))
                          .Render();
  EXPECT_EQ(out.planes[0].at(3, 3), 0.125f);
}

TEST(Within, MultipliesAlphaAloneOfStraightColour) {
  const Picture in = MakeConstant(STRAIGHT, kRect, 0.5f);
  const Picture out =
      OpTester("within { mask: 'm' }").Main(in).With("mask", MakeConstant(MATTE, kRect, 0.25f)).Render();
  for (int c = 0; c < 3; ++c) EXPECT_EQ(out.planes[c].at(3, 3), in.planes[c].at(3, 3));
  EXPECT_EQ(out.planes[3].at(3, 3), 0.125f);
}

TEST(Within, MultipliesAllOfPremultipliedColour) {
  const Picture in = MakeConstant(PREMULTIPLIED, kRect, 0.5f);
  const Picture out =
      OpTester("within { mask: 'm' }").Main(in).With("mask", MakeConstant(MATTE, kRect, 0.25f)).Render();
  for (int c = 0; c < 4; ++c) EXPECT_EQ(out.planes[c].at(3, 3), in.planes[c].at(3, 3) * 0.25f);
}

TEST(Within, MaskOfOnesIsTheIdentity) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    OpTester("within { mask: 'm' }")
        .Main(MakePicture(kind, kRect))
        .With("mask", MakeConstant(MATTE, kRect, 1))
        .CheckIdentity();
  }
}

TEST(Within, AndWithoutTogetherGiveTheWhole) {
  const Picture in = MakePicture(MATTE, kRect, 1), mask = MakePicture(MATTE, kRect, 3);
  const Picture a = OpTester("within { mask: 'm' }").Main(in).With("mask", mask).Render();
  const Picture b = OpTester("without { mask: 'm' }").Main(in).With("mask", mask).Render();
  for (int x = 0; x < 20; ++x) EXPECT_NEAR(a.planes[0].at(x, 5) + b.planes[0].at(x, 5), in.planes[0].at(x, 5), 1e-7);
}

TEST(Within, Laws) { OpTester("within { mask: 'm' }").CheckLaws(); }

}  // namespace
}  // namespace selvage::worker
