#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 60, 30};

Picture RightHalf() {
  Picture mask = MakeConstant(MATTE, kRect, 0);
  mask.planes[0].constant.reset();
  for (int y = 0; y < 30; ++y) std::fill_n(&mask.planes[0].at(30, y), 30, 1.0f);
  return mask;
}

TEST(Patch, ReplacesInsideTheMaskAndNowhereElse) {
  for (Kind kind : {MATTE, OPAQUE, STRAIGHT, PREMULTIPLIED}) {
    const Picture a = MakePicture(kind, kRect, 1), b = MakePicture(kind, kRect, 2);
    const Picture out =
        OpTester("patch { with: 'b' mask: 'm' }").Main(a).With("with", b).With("mask", RightHalf()).Render();
    EXPECT_TRUE(SameBits(Crop(out, {0, 0, 30, 30}), Crop(a, {0, 0, 30, 30})));
    EXPECT_TRUE(SameBits(Crop(out, {30, 0, 60, 30}), Crop(b, {30, 0, 60, 30})));
  }
}

TEST(Patch, SeamIsSoftAndEndsWithItsReach) {
  const Picture a = MakeConstant(MATTE, kRect, 0), b = MakeConstant(MATTE, kRect, 1);
  const Picture out = OpTester("patch { with: 'b' mask: 'm' sigma { value: 2 } }")
                          .Main(a)
                          .With("with", b)
                          .With("mask", RightHalf())
                          .Render();
  // Published step values of a Gaussian of deviation 2.
  const double known[] = {.03849, .10325, .22423, .40026, .59974, .77577, .89675, .96151};
  for (int x = 26; x < 34; ++x) EXPECT_NEAR(out.planes[0].at(x, 15), known[x - 26], 7e-5);
  EXPECT_EQ(out.planes[0].at(21, 15), 0.0f);
  EXPECT_EQ(out.planes[0].at(38, 15), 1.0f);
}

TEST(Patch, MaskOfZerosIsTheIdentityWhateverThePatch) {
  Picture broken = MakePicture(MATTE, kRect, 2);
  broken.planes[0].at(10, 10) = NAN;
  OpTester("patch { with: 'b' mask: 'm' sigma { value: 1.5 } }")
      .Main(MakePicture(MATTE, kRect))
      .With("with", broken)
      .With("mask", MakeConstant(MATTE, kRect, 0))
      .CheckIdentity();
}

TEST(Patch, EqualPicturesShowNoSeam) {
  const Picture a = MakePicture(PREMULTIPLIED, kRect);
  OpTester("patch { with: 'b' mask: 'm' sigma { value: 3 } }")
      .Main(a)
      .With("with", a)
      .With("mask", RightHalf())
      .CheckIdentity();
}

TEST(Patch, OtherKindIsAnError) {
  const auto result = OpTester("patch { with: 'b' mask: 'm' }")
                          .Main(MakePicture(MATTE, kRect))
                          .With("with", MakePicture(OPAQUE, kRect))
                          .With("mask", RightHalf())
                          .TryRender();
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
}

TEST(Patch, Laws) {
  OpTester("patch { with: 'b' mask: 'm' }").CheckLaws();
  OpTester("patch { with: 'b' mask: 'm' sigma { value: 2.7 } }").CheckLaws();
}

}  // namespace
}  // namespace selvage::worker
