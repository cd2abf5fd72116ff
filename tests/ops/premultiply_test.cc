#include <gtest/gtest.h>

#include "tests/ops/candle_glass.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 20, 10};

TEST(Premultiply, MultipliesColourByAlpha) {
  const Picture in = MakeConstant(STRAIGHT, kRect, 0.5f);
  const Picture out = OpTester("premultiply {}").Main(in).Render();
  EXPECT_EQ(out.kind, PREMULTIPLIED);
  for (int c = 0; c < 3; ++c) EXPECT_EQ(out.planes[c].at(3, 3), in.planes[c].at(3, 3) * 0.5f);
  EXPECT_EQ(out.planes[3].at(3, 3), 0.5f);
}

TEST(Premultiply, OpaqueColourIsUnchanged) {
  OpTester("premultiply {}").Main(MakePicture(OPAQUE, kRect)).CheckIdentity();
}

TEST(Premultiply, WithoutCoverageColourIsGoneUnlessLightIsKept) {
  Picture in = MakeConstant(STRAIGHT, kRect, 0.5f);
  in.planes[3] = Plane::Filled(kRect, 0);
  EXPECT_EQ(OpTester("premultiply {}").Main(in).Render().planes[0].at(0, 0), 0.0f);
  EXPECT_EQ(OpTester("premultiply { keep_light: true }").Main(in).Render().planes[0].at(0, 0), 0.5f);
}

TEST(Premultiply, AgreesWithOpenImageIO) {
  const auto candle = CandleGlass();
  if (!candle) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  // As if it were straight: any numbers will do to compare products.
  const Picture in = ToPicture(*candle, STRAIGHT);
  const Picture ours = OpTester("premultiply {}").Main(in).Render();
  const Picture kept = OpTester("premultiply { keep_light: true }").Main(in).Render();
  const Picture theirs = ToPicture(OIIO::ImageBufAlgo::premult(*candle), PREMULTIPLIED);
  const Picture theirs_kept = ToPicture(OIIO::ImageBufAlgo::repremult(*candle), PREMULTIPLIED);
  EXPECT_TRUE(SameBits(ours, theirs));
  EXPECT_TRUE(SameBits(kept, theirs_kept));
}

TEST(Premultiply, Laws) {
  OpTester("premultiply {}").CheckLaws();
  OpTester("premultiply { keep_light: true }").CheckLaws();
}

}  // namespace
}  // namespace selvage::worker
