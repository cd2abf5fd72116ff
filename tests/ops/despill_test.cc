#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <string>

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
  OpTester("despill { screen { color { r: 0.3 g: 0.5 b: 0.1 } } restore: OWN own_color: 'own' }").CheckLaws();
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
  ExpectColor(OpTester("despill { screen { color { r: 0.9 g: 0.1 b: 0.1 } } limit: LARGER }")
                  .Main(Solid(0.8f, 0.4f, 0.2f))
                  .Render(),
              0.4, 0.4, 0.2);
}

TEST(Despill, NeutralStaysNeutralToTheBit) {
  for (const char* rest :
       {"", "screen { color { r: 0.3 g: 0.5 b: 0.1 } }", "screen { color { r: 0.1 g: 0.4 b: 0.45 } } limit: LARGER",
        "screen { color { r: 0.5 g: 0.1 b: 0.36 } } allow { value: 1.2 }", "limit: LARGER", "limit: SMALLER",
        "limit: WEIGHTED larger_weight { value: 0.3 }", "allow { value: 1.3 }", "restore: NEUTRAL",
        "restore: COLOR restore_color { r: 1 g: 0 b: 0 }"}) {
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

// What the operator did before it knew of hues: green (or blue) above the limit.
TEST(Despill, OfAPrimaryScreenItIsTheChannelAboveTheLimitToTheBit) {
  Picture in = MakePicture(STRAIGHT, {-7, 3, 144, 99});
  for (const bool blue : {false, true}) {
    const int s = blue ? 2 : 1, o1 = 0, o2 = blue ? 1 : 2;
    Picture expected = Crop(in, in.rect());
    for (int y = 3; y < 99; ++y) {
      for (int x = -7; x < 144; ++x) {
        const float a = in.planes[o1].at(x, y), b = in.planes[o2].at(x, y), smaller = std::min(a, b);
        const float over = in.planes[s].at(x, y) - (smaller + 0.3f * (std::max(a, b) - smaller)) * 1.1f;
        expected.planes[s].at(x, y) = in.planes[s].at(x, y) - (over > 0 ? over : 0) * 0.9f;
      }
    }
    const std::string rest =
        " limit: WEIGHTED larger_weight { value: 0.3 } allow { value: 1.1 } amount { value: 0.9 } }";
    for (const std::string screen : {blue ? "hue: BLUE" : "hue: GREEN",
                                     blue ? "color { r: 0.1 g: 0.1 b: 0.7 }" : "color { r: 0.1 g: 0.7 b: 0.1 }"}) {
      EXPECT_TRUE(SameBits(OpTester("despill { screen { " + screen + " }" + rest).Main(in).Render(), expected));
    }
  }
}

// Fully saturated, 0 red, 60 yellow, 120 green.
std::array<double, 3> PureHue(double degrees) {
  std::array<double, 3> rgb;
  for (int c = 0; c < 3; ++c) {
    const double off = std::abs(std::remainder(degrees - 120.0 * c, 360.0)) / 60;
    rgb[c] = std::clamp(2 - off, 0.0, 1.0);
  }
  return rgb;
}

std::string ScreenOf(const std::array<double, 3>& rgb) {
  return "screen { color { r: " + std::to_string(rgb[0]) + " g: " + std::to_string(rgb[1]) +
         " b: " + std::to_string(rgb[2]) + " } }";
}

TEST(Despill, NothingJumpsFromOneHueOfTheScreenToTheNext) {
  const float colors[][3] = {{0.55f, 0.36f, 0.25f}, {0.2f, 0.8f, 0.4f}, {0.9f, 0.1f, 0.1f},
                             {0.3f, 0.3f, 0.9f},    {0.6f, 0.6f, 0.1f}, {0.5f, 0.1f, 0.6f}};
  for (const char* limit : {"AVERAGE", "LARGER", "SMALLER"}) {
    for (const auto& c : colors) {
      std::optional<Picture> before;
      for (int degrees = 0; degrees <= 360; ++degrees) {
        const Picture out = OpTester(std::string("despill { limit: ") + limit + " " + ScreenOf(PureHue(degrees)) + " }")
                                .Main(Solid(c[0], c[1], c[2]))
                                .Render();
        for (int k = 0; before && k < 3; ++k) {
          EXPECT_NEAR(out.planes[k].at(3, 3), before->planes[k].at(3, 3), 0.025) << degrees << limit << k;
        }
        before = out;
      }
    }
  }
}

TEST(Despill, ScreensOfAnyHueLoseTheirColour) {
  for (int degrees = 0; degrees < 360; degrees += 15) {
    std::array<double, 3> screen = PureHue(degrees);
    for (double& v : screen) v = 0.08 + 0.4 * v;
    const float r = static_cast<float>(screen[0]), g = static_cast<float>(screen[1]), b = static_cast<float>(screen[2]);
    ExpectColor(OpTester("despill { " + ScreenOf(screen) + " }").Main(Solid(r, g, b)).Render(), 0.08, 0.08, 0.08);
    // And a grey what fell on it, whatever the limit: on greys all three are one.
    for (const char* limit : {"AVERAGE", "LARGER", "SMALLER"}) {
      const Picture out = OpTester(std::string("despill { limit: ") + limit + " " + ScreenOf(screen) + " }")
                              .Main(Solid(0.4f + 0.2f * r, 0.4f + 0.2f * g, 0.4f + 0.2f * b))
                              .Render();
      ExpectColor(out, 0.416, 0.416, 0.416);
    }
  }
}

TEST(Despill, PermutedChannelsGivePermutedResults) {
  const float c[3] = {0.5f, 0.62f, 0.21f};
  const double screen[3] = {0.31, 0.47, 0.09};
  const Picture plain = OpTester("despill { " + ScreenOf({screen[0], screen[1], screen[2]}) + " }")
                            .Main(Solid(c[0], c[1], c[2]))
                            .Render();
  EXPECT_LT(plain.planes[1].at(3, 3), c[1]);
  for (const auto& o : {std::array{1, 2, 0}, {2, 0, 1}, {0, 2, 1}, {1, 0, 2}, {2, 1, 0}}) {
    const Picture out = OpTester("despill { " + ScreenOf({screen[o[0]], screen[o[1]], screen[o[2]]}) + " }")
                            .Main(Solid(c[o[0]], c[o[1]], c[o[2]]))
                            .Render();
    for (int k = 0; k < 3; ++k) EXPECT_NEAR(out.planes[k].at(3, 3), plain.planes[o[k]].at(3, 3), 1e-6);
  }
}

// Before yellow a red has all that the limit forbids, and no blue to give.
TEST(Despill, NothingFallsBelowBlack) {
  const Picture out = OpTester("despill { screen { color { r: 1 g: 1 b: 0 } } }").Main(Solid(0.6f, 0.05f, 0)).Render();
  for (int k = 0; k < 3; ++k) EXPECT_GE(out.planes[k].at(3, 3), 0) << k;
}

TEST(Despill, ARestoredOwnColourNeedsOne) {
  const auto out = OpTester("despill { restore: OWN }").Main(Solid(0, 1, 0)).TryRender();
  EXPECT_EQ(out.status().code(), absl::StatusCode::kInvalidArgument);
}

double DisplayCode(double linear) {
  // sRGB, IEC 61966-2-1.
  const double v = std::clamp(linear, 0.0, 1.0);
  return 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055);
}

// Code values along the screen's direction away from grey.
double ChromaAlong(const std::array<double, 3>& screen, const std::array<double, 3>& color) {
  const double mean = (screen[0] + screen[1] + screen[2]) / 3;
  double along = 0, length = 0;
  for (int c = 0; c < 3; ++c) {
    along += DisplayCode(color[c]) * (screen[c] - mean);
    length += (screen[c] - mean) * (screen[c] - mean);
  }
  return along / std::sqrt(length);
}

// A disc with a soft edge, the screen's light on it near the edge.
struct LitDisc {
  Picture plate, clean, matte, inside;
};

LitDisc DrawDisc(const std::array<double, 3>& screen, const std::array<double, 3>& front) {
  const Rect rect{0, 0, 160, 120};
  LitDisc disc{MakeConstant(OPAQUE, rect, 1), MakeConstant(OPAQUE, rect, 1), MakeConstant(MATTE, rect, 0),
               MakeConstant(MATTE, rect, 0)};
  for (Picture* p : {&disc.plate, &disc.clean, &disc.matte, &disc.inside}) {
    for (Plane& plane : p->planes) plane.constant.reset();
  }
  for (int y = 0; y < rect.y1; ++y) {
    for (int x = 0; x < rect.x1; ++x) {
      const double r = std::hypot(x - 80, y - 60), a = std::clamp((40 - r) / 8 + 0.5, 0.0, 1.0);
      const double spill = 0.08 * std::clamp((r - 26) / 8, 0.0, 1.0);
      disc.matte.planes[0].at(x, y) = static_cast<float>(a);
      disc.inside.planes[0].at(x, y) = r < 24 ? 1.0f : 0.0f;
      for (int c = 0; c < 3; ++c) {
        disc.clean.planes[c].at(x, y) = static_cast<float>(screen[c]);
        disc.plate.planes[c].at(x, y) = static_cast<float>(a * (front[c] + spill * screen[c]) + (1 - a) * screen[c]);
      }
    }
  }
  return disc;
}

// Skin and blue cloth before screens of six hues: after recover_color and despill the edge
// has no more of the screen's hue than the inside (a foreground that has less than a grey
// has may get as much as that), and the inside is as it was.
TEST(Despill, LeavesNoRimOnScreensOfSixHuesAndKeepsSkinAndCloth) {
  const std::array<double, 3> screens[] = {{0.08, 0.5, 0.12},  {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09},
                                           {0.06, 0.42, 0.45}, {0.5, 0.09, 0.36}, {0.5, 0.08, 0.07}};
  const std::array<double, 3> fronts[] = {{0.55, 0.36, 0.25}, {0.12, 0.16, 0.3}};
  int rims = 0;
  for (const auto& screen : screens) {
    for (const auto& front : fronts) {
      const LitDisc disc = DrawDisc(screen, front);
      const Picture recovered = OpTester("recover_color { matte: 'm' clean_plate: 'c' }")
                                    .Main(disc.plate)
                                    .With("matte", disc.matte)
                                    .With("clean_plate", disc.clean)
                                    .Render();
      const Picture own = OpTester("spread_color { core: 'i' }").Main(disc.plate).With("core", disc.inside).Render();
      const Picture out = OpTester("despill { screen { clean_plate: 'c' } restore: OWN own_color: 'o' }")
                              .Main(recovered)
                              .With("screen.clean_plate", disc.clean)
                              .With("own_color", own)
                              .Render();
      const double aim = ChromaAlong(screen, front);
      double worst = 0, rim = 0, kept = 0;
      for (int y = 0; y < out.rect().y1; ++y) {
        for (int x = 0; x < out.rect().x1; ++x) {
          const auto at = [&](const Picture& p) {
            return std::array<double, 3>{p.planes[0].at(x, y), p.planes[1].at(x, y), p.planes[2].at(x, y)};
          };
          const float a = disc.matte.planes[0].at(x, y);
          if (a > 0.1f && a < 0.95f) {
            worst = std::max(worst, ChromaAlong(screen, at(out)) - std::max(aim, 1.0));
            rim = std::max(rim, ChromaAlong(screen, at(recovered)) - std::max(aim, 1.0));
          }
          for (int c = 0; disc.inside.planes[0].at(x, y) == 1 && c < 3; ++c) {
            kept = std::max(kept, std::abs(DisplayCode(at(out)[c]) - DisplayCode(front[c])));
          }
        }
      }
      rims += rim > 3;
      EXPECT_LT(worst, 2) << screen[0] << " " << screen[1] << " " << screen[2] << ", " << front[0];
      EXPECT_LT(kept, 1) << screen[0] << " " << screen[1] << " " << screen[2] << ", " << front[0];
    }
  }
  // Where the foreground has something of the hue, there was something to take.
  EXPECT_GE(rims, 4);
}

}  // namespace
}  // namespace selvage::worker
