#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "tests/ops/green_clip.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 40, 30};

Picture Solid(float r, float g, float b, const Rect& rect = kRect) {
  Picture p;
  p.kind = OPAQUE;
  for (float v : {r, g, b, 1.0f}) p.planes.push_back(Plane::Filled(rect, v));
  return p;
}

Picture RandomColors(uint32_t seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<float> value(-0.1f, 1.3f);
  Picture p = Solid(0, 0, 0);
  for (int c = 0; c < 3; ++c) {
    p.planes[c] = Plane(kRect);
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) p.planes[c].at(x, y) = value(random);
    }
  }
  return p;
}

float MatteOf(const std::string& step, float r, float g, float b) {
  return OpTester(step).Main(Solid(r, g, b)).Render().planes[0].at(5, 5);
}

TEST(ColorDifference, KeepsTheLawsOfAllOperators) {
  OpTester("color_difference {}").CheckLaws();
  OpTester("color_difference { screen { hue: BLUE } larger_weight { value: 0.3 } amount { value: 1.7 } }").CheckLaws();
  OpTester("color_difference { screen { sample { x: 2 y: 5 width: 9 height: 9 } } axis: GENERAL }").CheckLaws();
  OpTester("color_difference { screen { clean_plate: 'clean' } }").CheckLaws();
  OpTester("color_difference { screen { clean_plate: 'clean' } axis: CHANNEL }").CheckLaws();
}

TEST(ColorDifference, IsTheFormula) {
  // Vlahos' principle (from memory): k = (G - max(R, B)) / (Gs - max(Rs, Bs)),
  // matte = 1 - clamp(k). Here (0.6 - 0.3) / (0.8 - 0.2) = 0.5.
  const std::string step = "color_difference { screen { color { r: 0.1 g: 0.8 b: 0.2 } } }";
  EXPECT_NEAR(MatteOf(step, 0.3f, 0.6f, 0.1f), 0.5, 1e-6);
  EXPECT_EQ(MatteOf(step, 0.1f, 0.8f, 0.2f), 0);
  EXPECT_EQ(MatteOf(step, 0.1f, 1.6f, 0.2f), 0);
  EXPECT_EQ(MatteOf(step, 0.4f, 0.4f, 0.4f), 1);
  EXPECT_EQ(MatteOf(step, 0.9f, 0.4f, 0.3f), 1);
  EXPECT_EQ(MatteOf(step, 0, 0, 0), 1);
}

TEST(ColorDifference, LargerWeightWeighsTheOtherTwoChannels) {
  // Screen (0, 1, 0): t = G - limit; limit between min 0.1 and max 0.3.
  for (const auto& [larger_weight, t] : {std::pair{"1", 0.3}, {"0.5", 0.4}, {"0", 0.5}, {"0.25", 0.45}}) {
    const std::string step = std::string("color_difference { larger_weight { value: ") + larger_weight + " } }";
    EXPECT_NEAR(MatteOf(step, 0.3f, 0.6f, 0.1f), 1 - t, 1e-6) << larger_weight;
  }
}

TEST(ColorDifference, GainMultipliesTheScreenAmount) {
  EXPECT_NEAR(MatteOf("color_difference { amount { value: 2 } }", 0.1f, 0.4f, 0.1f), 1 - 0.6, 1e-6);
}

TEST(ColorDifference, YellowGreenScreenGivesAUsableSignal) {
  // (211, 211, 23) of a real clip (CC0, see tests/e2e/clip_test.cc), where G - max(R, B)
  // is 0: its screen is yellow-green.
  const std::string step = "color_difference { screen { color { r: 0.6514 g: 0.6514 b: 0.00857 } } }";
  EXPECT_NEAR(MatteOf(step, 0.6514f, 0.6514f, 0.00857f), 0, 1e-6);
  EXPECT_NEAR(MatteOf(step, 0.3257f, 0.3257f, 0.004285f), 0.5, 1e-5);
  EXPECT_NEAR(MatteOf(step, 0.3f, 0.3f, 0.3f), 1, 1e-6);
  EXPECT_GT(MatteOf(step, 0.4f, 0.25f, 0.18f), 0.7);
}

TEST(ColorDifference, ScreenWithoutHueIsRefusedInWords) {
  const auto grey =
      OpTester("color_difference { screen { color { r: 0.4 g: 0.4 b: 0.4 } } }").Main(Solid(1, 1, 1)).TryRender();
  EXPECT_EQ(grey.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_NE(grey.status().message().find("hue"), absl::string_view::npos) << grey.status();
  const auto black =
      OpTester("color_difference { screen { color { r: 0 g: 0 b: 0 } } }").Main(Solid(1, 1, 1)).TryRender();
  EXPECT_FALSE(black.ok());
}

TEST(ColorDifference, GreenAndBlueAreSymmetricToTheBit) {
  const Picture picture = RandomColors(3);
  Picture swapped = picture;
  std::swap(swapped.planes[1], swapped.planes[2]);
  for (const std::string rest :
       {"", "axis: GENERAL", "larger_weight { value: 0.37 }", "axis: CHANNEL amount { value: 1.3 }"}) {
    const Picture green = OpTester("color_difference { screen { hue: GREEN } " + rest + " }").Main(picture).Render();
    const Picture blue = OpTester("color_difference { screen { hue: BLUE } " + rest + " }").Main(swapped).Render();
    EXPECT_TRUE(SameBits(green, blue)) << rest;
    const Picture given =
        OpTester("color_difference { screen { color { r: 0.1 g: 0.7 b: 0.2 } } " + rest + " }").Main(picture).Render();
    const Picture turned =
        OpTester("color_difference { screen { color { r: 0.1 g: 0.2 b: 0.7 } } " + rest + " }").Main(swapped).Render();
    EXPECT_TRUE(SameBits(given, turned)) << rest;
  }
}

TEST(ColorDifference, TurningScreenAndForegroundTogetherKeepsTheMatte) {
  const Picture picture = RandomColors(4);
  const double screen[3] = {0.1, 0.8, 0.2};
  const auto key = [](const double* s, const Picture& p) {
    char step[200];
    std::snprintf(step, sizeof step, "color_difference { axis: GENERAL screen { color { r: %.9f g: %.9f b: %.9f } } }",
                  s[0], s[1], s[2]);
    return OpTester(step).Main(p).Render();
  };
  const Picture before = key(screen, picture);
  for (double degrees : {30.0, 77.0, 120.0, 200.0}) {
    // Rotation about (1, 1, 1) / sqrt 3 (Rodrigues).
    const double a = degrees * 3.14159265358979 / 180, c = std::cos(a), s = std::sin(a) / std::sqrt(3.0);
    const double m[3] = {c + (1 - c) / 3, (1 - c) / 3 - s, (1 - c) / 3 + s};
    const auto turn = [&](const double* in, double* out) {
      for (int i = 0; i < 3; ++i) out[i] = m[0] * in[i] + m[1] * in[(i + 1) % 3] + m[2] * in[(i + 2) % 3];
    };
    double turned_screen[3];
    turn(screen, turned_screen);
    Picture turned = RandomColors(4);
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        const double from[3] = {picture.planes[0].at(x, y), picture.planes[1].at(x, y), picture.planes[2].at(x, y)};
        double to[3];
        turn(from, to);
        for (int i = 0; i < 3; ++i) turned.planes[i].at(x, y) = static_cast<float>(to[i]);
      }
    }
    const Picture after = key(turned_screen, turned);
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        // Half precision just below 1.
        ASSERT_NEAR(after.planes[0].at(x, y), before.planes[0].at(x, y), 1.0 / 2048) << degrees;
      }
    }
  }
}

TEST(ColorDifference, CleanPlateOfOneColourKeysLikeThatColour) {
  const Picture picture = RandomColors(5);
  const std::string color = "screen { color { r: 0.125 g: 0.75 b: 0.25 } }";
  for (const std::string axis : {"GENERAL", "CHANNEL"}) {
    const Picture a = OpTester("color_difference { axis: " + axis + " " + color + " }").Main(picture).Render();
    const Picture b = OpTester("color_difference { axis: " + axis + " screen { clean_plate: 'clean' } }")
                          .Main(picture)
                          .With("screen.clean_plate", Solid(0.125f, 0.75f, 0.25f))
                          .Render();
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) ASSERT_NEAR(a.planes[0].at(x, y), b.planes[0].at(x, y), 1e-6);
    }
  }
}

TEST(ColorDifference, CleanPlateTakesTheUnevennessOut) {
  Picture screen = Solid(0, 0, 0), mixed = Solid(0, 0, 0);
  for (int c = 0; c < 3; ++c) {
    screen.planes[c] = Plane(kRect);
    mixed.planes[c] = Plane(kRect);
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        const float s = (c == 1 ? 0.6f : 0.1f) * (0.3f + 0.02f * static_cast<float>(x + y));
        screen.planes[c].at(x, y) = s;
        mixed.planes[c].at(x, y) = 0.25f * 0.4f + 0.75f * s;  // a quarter of grey 0.4
      }
    }
  }
  const Picture out = OpTester("color_difference { screen { clean_plate: 'clean' } }")
                          .Main(mixed)
                          .With("screen.clean_plate", screen)
                          .Render();
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) ASSERT_NEAR(out.planes[0].at(x, y), 0.25, 1e-5);
  }
}

TEST(ColorDifference, BlackCleanPlateIsForeground) {
  const Picture out = OpTester("color_difference { screen { clean_plate: 'clean' } }")
                          .Main(RandomColors(6))
                          .With("screen.clean_plate", Solid(0, 0, 0))
                          .Render();
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) ASSERT_EQ(out.planes[0].at(x, y), 1);
  }
}

TEST(ColorDifference, RealYellowGreenClipKeys) {
  if (!ReadGreenClip(1001)) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  const std::vector<float> screen = MeanColor(*ReadGreenClip(1001), {8, 8, 72, 56});
  for (int frame : {1001, 1008, 1016}) {
    const Picture key = OpTester("color_difference { screen { sample { x: 8 y: 8 width: 64 height: 48 } } }")
                            .Main(*ReadGreenClip(frame))
                            .WithNumbers("screen.sample", screen)
                            .Render();
    // The warm highlight of the forehead (0.85, 0.56, 0.23) is nearest to the
    // wall's hue: 0.26 there, 0.11 in the shadiest corner of the boxes.
    const Picture matte = OpTester("levels { black { value: 0.13 } white { value: 0.26 } }").Main(key).Render();
    const auto extreme = [&](const Rect& box, bool low) {
      float found = low ? 1 : 0;
      for (int y = box.y0; y < box.y1; ++y) {
        for (int x = box.x0; x < box.x1; ++x) {
          const float v = matte.planes[0].at(x, y);
          found = low ? std::min(found, v) : std::max(found, v);
        }
      }
      return found;
    };
    // Chosen by eye: upper corners of the wall, the face, the jumper.
    EXPECT_LT(extreme({2, 2, 80, 80}, false), 0.1) << frame;
    EXPECT_LT(extreme({240, 2, 318, 80}, false), 0.1) << frame;
    EXPECT_GT(extreme({112, 30, 180, 105}, true), 0.9) << frame;
    EXPECT_GT(extreme({50, 165, 250, 190}, true), 0.9) << frame;
  }
}

}  // namespace
}  // namespace selvage::worker
