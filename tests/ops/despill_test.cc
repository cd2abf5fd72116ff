#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 12, 8};

Picture Solid(float r, float g, float b, Kind kind = STRAIGHT, float a = 0.5f) {
  Picture p;
  p.kind = kind;
  for (float v : {r, g, b, a}) p.planes.push_back(Plane::Filled(kRect, v));
  return p;
}
Picture Matte(float v) {
  Picture p;
  p.kind = MATTE;
  p.planes.push_back(Plane::Filled(kRect, v));
  return p;
}
void ExpectColor(const Picture& p, double r, double g, double b) {
  EXPECT_NEAR(p.planes[0].at(3, 3), r, 1e-6);
  EXPECT_NEAR(p.planes[1].at(3, 3), g, 1e-6);
  EXPECT_NEAR(p.planes[2].at(3, 3), b, 1e-6);
}
double Luminance(const Picture& p) {
  return 0.2126 * p.planes[0].at(3, 3) + 0.7152 * p.planes[1].at(3, 3) + 0.0722 * p.planes[2].at(3, 3);
}

TEST(Despill, KeepsTheLawsOfAllOperators) {
  OpTester("despill {}").CheckLaws();
  OpTester("despill { screen { hue: BLUE } limit: LARGER restore: NEUTRAL }").CheckLaws();
  OpTester(
      "despill { screen { clean_plate: 'clean' } limit: WEIGHTED larger_weight { value: 0.3 } restore: COLOR protect: "
      "'p' }")
      .CheckLaws();
  OpTester("despill { restore: BACKGROUND background: 'bg' amount_to_alpha: true }").CheckLaws();
}

TEST(Despill, EachLimitIsItsFormula) {
  // Green 0.8 against 0.2 and 0.4.
  const Picture in = Solid(0.2f, 0.8f, 0.4f);
  ExpectColor(OpTester("despill {}").Main(in).Render(), 0.2, 0.3, 0.4);
  ExpectColor(OpTester("despill { limit: LARGER }").Main(in).Render(), 0.2, 0.4, 0.4);
  ExpectColor(OpTester("despill { limit: SMALLER }").Main(in).Render(), 0.2, 0.2, 0.4);
  ExpectColor(OpTester("despill { limit: WEIGHTED larger_weight { value: 0.75 } }").Main(in).Render(), 0.2, 0.35, 0.4);
  ExpectColor(OpTester("despill { allow { value: 1.5 } }").Main(in).Render(), 0.2, 0.45, 0.4);
  ExpectColor(OpTester("despill { amount { value: 0.5 } }").Main(in).Render(), 0.2, 0.55, 0.4);
  ExpectColor(OpTester("despill { screen { hue: BLUE } limit: LARGER }").Main(Solid(0.2f, 0.4f, 0.8f)).Render(), 0.2,
              0.4, 0.4);
  ExpectColor(OpTester("despill { screen { color { r: 0.9 g: 0.1 b: 0.2 } } limit: LARGER }")
                  .Main(Solid(0.8f, 0.4f, 0.2f))
                  .Render(),
              0.4, 0.4, 0.2);
}

TEST(Despill, NeutralStaysNeutralToTheBit) {
  for (const char* rest :
       {"", "limit: LARGER", "limit: SMALLER", "limit: WEIGHTED larger_weight { value: 0.3 }", "allow { value: 1.3 }",
        "restore: NEUTRAL", "restore: COLOR restore_color { r: 1 g: 0 b: 0 }"}) {
    for (float v : {0.0f, 0.1f, 0.37f, 1.0f, 7.3f}) {
      const Picture in = Solid(v, v, v);
      EXPECT_TRUE(SameBits(OpTester(std::string("despill { ") + rest + " }").Main(in).Render(), in)) << rest << v;
    }
  }
}

TEST(Despill, ColourWithoutSpillIsUnchanged) {
  const Picture in = Solid(0.7f, 0.3f, 0.2f);
  EXPECT_TRUE(SameBits(OpTester("despill { restore: NEUTRAL }").Main(in).Render(), in));
}

TEST(Despill, RestoreKeepsTheLight) {
  const Picture in = Solid(0.2f, 0.8f, 0.4f);
  const Picture neutral = OpTester("despill { restore: NEUTRAL }").Main(in).Render();
  EXPECT_NEAR(Luminance(neutral), Luminance(in), 1e-6);
  ExpectColor(neutral, 0.2 + 0.3576, 0.3 + 0.3576, 0.4 + 0.3576);
  const Picture red = OpTester("despill { restore: COLOR restore_color { r: 0.5 g: 0 b: 0 } }").Main(in).Render();
  EXPECT_NEAR(Luminance(red), Luminance(in), 1e-6);
  ExpectColor(red, 0.2 + 0.3576 / 0.2126, 0.3, 0.4);
  const Picture background = OpTester("despill { restore: BACKGROUND background: 'bg' }")
                                 .Main(in)
                                 .With("background", Solid(0.1f, 0.3f, 0.6f))
                                 .Render();
  EXPECT_NEAR(Luminance(background), Luminance(in), 1e-6);
  EXPECT_NEAR((background.planes[2].at(3, 3) - 0.4) / (background.planes[0].at(3, 3) - 0.2), 6, 1e-4);
  const Picture half = OpTester("despill { restore: NEUTRAL restore_amount { value: 0.5 } }").Main(in).Render();
  ExpectColor(half, 0.2 + 0.1788, 0.3 + 0.1788, 0.4 + 0.1788);
}

TEST(Despill, BlackBackgroundRestoresNeutral) {
  const Picture in = Solid(0.2f, 0.8f, 0.4f);
  const Picture out =
      OpTester("despill { restore: BACKGROUND background: 'bg' }").Main(in).With("background", Solid(0, 0, 0)).Render();
  ExpectColor(out, 0.2 + 0.3576, 0.3 + 0.3576, 0.4 + 0.3576);
}

TEST(Despill, ProtectedPixelsAreUnchanged) {
  const Picture in = Solid(0.2f, 0.8f, 0.4f);
  const std::string step = "despill { protect: 'steel' restore: NEUTRAL }";
  EXPECT_TRUE(SameBits(OpTester(step).Main(in).With("protect", Matte(1)).Render(), in));
  EXPECT_TRUE(SameBits(OpTester(step).Main(in).With("protect", Matte(0)).Render(),
                       OpTester("despill { restore: NEUTRAL }").Main(in).Render()));
  ExpectColor(OpTester("despill { protect: 'steel' }").Main(in).With("protect", Matte(0.5f)).Render(), 0.2, 0.55, 0.4);
}

TEST(Despill, AmountGoesToAlphaAsStraightColour) {
  const Picture out = OpTester("despill { amount_to_alpha: true }").Main(Solid(0.2f, 0.8f, 0.4f, OPAQUE, 1)).Render();
  EXPECT_EQ(out.kind, STRAIGHT);
  ExpectColor(out, 0.2, 0.3, 0.4);
  EXPECT_NEAR(out.planes[3].at(3, 3), 0.5, 1e-6);
}

TEST(Despill, AlphaIsUntouchedOtherwise) {
  for (Kind kind : {STRAIGHT, PREMULTIPLIED}) {
    const Picture out = OpTester("despill {}").Main(Solid(0.2f, 0.8f, 0.4f, kind)).Render();
    EXPECT_EQ(out.kind, kind);
    EXPECT_EQ(out.planes[3].at(3, 3), 0.5f);
  }
}

TEST(Despill, CleanPlateChoosesTheChannelPixelByPixel) {
  Picture plate = Solid(0, 0, 0, OPAQUE, 1);
  for (int c = 0; c < 3; ++c) {
    plate.planes[c] = Plane(kRect);
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) plate.planes[c].at(x, y) = x / 4 == c ? 0.8f : 0.1f;
    }
  }
  const Picture in = MakePicture(STRAIGHT, kRect);
  const std::string rest = " limit: SMALLER restore: NEUTRAL }";
  const Picture out =
      OpTester("despill { screen { clean_plate: 'clean' }" + rest).Main(in).With("screen.clean_plate", plate).Render();
  const char* colors[] = {"r: 1 g: 0 b: 0", "r: 0 g: 1 b: 0", "r: 0 g: 0 b: 1"};
  for (int c = 0; c < 3; ++c) {
    const Picture one =
        OpTester(std::string("despill { screen { color { ") + colors[c] + " } }" + rest).Main(in).Render();
    const Rect part{4 * c, 0, 4 * c + 4, 8};
    EXPECT_TRUE(SameBits(Crop(out, part), Crop(one, part))) << c;
  }
}

TEST(Despill, RestoringABackgroundNeedsOne) {
  const auto out = OpTester("despill { restore: BACKGROUND }").Main(Solid(0, 1, 0)).TryRender();
  EXPECT_EQ(out.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
