#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/candle_glass.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 20, 10};

TEST(Unpremultiply, DividesColourByAlpha) {
  const Picture in = MakeConstant(PREMULTIPLIED, kRect, 0.5f);
  const Picture out = OpTester("unpremultiply {}").Main(in).Render();
  EXPECT_EQ(out.kind, STRAIGHT);
  for (int c = 0; c < 3; ++c) EXPECT_EQ(out.planes[c].at(3, 3), in.planes[c].at(3, 3) / 0.5f);
  EXPECT_EQ(out.planes[3].at(3, 3), 0.5f);
}

TEST(Unpremultiply, OpaqueColourIsUnchanged) {
  OpTester("unpremultiply {}").Main(MakePicture(OPAQUE, kRect)).CheckIdentity();
}

TEST(Unpremultiply, LightWithoutCoveragePasses) {
  Picture in = MakePicture(PREMULTIPLIED, kRect);
  for (int x = 0; x < 20; ++x) in.planes[3].at(x, 4) = 0;
  const Picture out = OpTester("unpremultiply {}").Main(in).Render();
  for (int x = 0; x < 20; ++x) EXPECT_EQ(out.planes[0].at(x, 4), in.planes[0].at(x, 4));
}

TEST(Unpremultiply, AgreesWithOpenImageIO) {
  const auto candle = CandleGlass();
  if (!candle) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  const Picture ours = OpTester("unpremultiply {}").Main(ToPicture(*candle, PREMULTIPLIED)).Render();
  // OpenImageIO multiplies by the reciprocal: two roundings against our one.
  const Picture theirs = ToPicture(OIIO::ImageBufAlgo::unpremult(*candle), STRAIGHT);
  for (size_t c = 0; c < 4; ++c) {
    for (int y = 0; y < ours.rect().y1; ++y) {
      for (int x = 0; x < ours.rect().x1; ++x) {
        const float a = ours.planes[c].at(x, y), b = theirs.planes[c].at(x, y);
        ASSERT_NEAR(a, b, 2e-7 * std::abs(b)) << x << ", " << y;
      }
    }
  }
}

// Facts of the picture: A == 0 with RGB != 0 on 85 % of its pixels, values to 413.
TEST(Unpremultiply, TheFlameSurvivesTheRoundTrip) {
  const auto candle = CandleGlass();
  if (!candle) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  const Picture in = ToPicture(*candle, PREMULTIPLIED);
  size_t light = 0;
  float brightest = 0;
  for (int y = 0; y < in.rect().y1; ++y) {
    for (int x = 0; x < in.rect().x1; ++x) {
      const float r = in.planes[0].at(x, y), g = in.planes[1].at(x, y), b = in.planes[2].at(x, y);
      light += in.planes[3].at(x, y) == 0 && (r != 0 || g != 0 || b != 0);
      brightest = std::max({brightest, r, g, b});
    }
  }
  EXPECT_NEAR(static_cast<double>(light) / static_cast<double>(in.rect().area()), 0.85, 0.01);
  EXPECT_NEAR(brightest, 413, 1);
  const Picture straight = OpTester("unpremultiply {}").Main(in).Render();
  const Picture back = OpTester("premultiply { keep_light: true }").Main(straight).Render();
  for (size_t c = 0; c < 4; ++c) {
    for (int y = 0; y < in.rect().y1; ++y) {
      for (int x = 0; x < in.rect().x1; ++x) {
        const float a = in.planes[c].at(x, y);
        ASSERT_NEAR(back.planes[c].at(x, y), a, 2e-7 * std::abs(a)) << x << ", " << y;
      }
    }
  }
}

TEST(Unpremultiply, Laws) { OpTester("unpremultiply {}").CheckLaws(); }

}  // namespace
}  // namespace selvage::worker
