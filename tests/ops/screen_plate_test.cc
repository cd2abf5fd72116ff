#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/green_clip.h"
#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using testing::KeyedScene;

TEST(ScreenPlate, KeepsTheLawsOfAllOperators) {
  OpTester("screen_plate {}").CheckLaws();
  OpTester("screen_plate { degree: 3 bare: 'b' cover: 'c' screen { color { r: 0.05 g: 0.4 b: 0.1 } } }").CheckLaws();
}

// Root of the mean square of plate / truth - 1 over all channels.
double RelativeError(const Picture& plate, const Picture& clean) {
  double sum = 0;
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < clean.rect().y1; ++y) {
      for (int x = 0; x < clean.rect().x1; ++x) {
        const double e = plate.planes[c].at(x, y) / clean.planes[c].at(x, y) - 1;
        sum += e * e;
      }
    }
  }
  return std::sqrt(sum / (3.0 * static_cast<double>(clean.rect().area())));
}

TEST(ScreenPlate, FindsTheScreenBehindTheForeground) {
  const auto drawn = KeyedScene{}.Draw();
  const Picture plate = OpTester("screen_plate {}").Main(drawn.plate).Render();
  // The light is quadratic here; the rest is noise, averaged over some ten pixels.
  EXPECT_LT(RelativeError(plate, drawn.clean), 0.015);
  for (int y = 0; y < 180; ++y) {
    for (int x = 0; x < 320; ++x) ASSERT_EQ(plate.planes[3].at(x, y), 1);
  }
}

TEST(ScreenPlate, AnyHueIsFound) {
  for (const auto& paint : {std::array{0.05, 0.10, 0.45}, std::array{0.42, 0.40, 0.05}, std::array{0.5, 0.06, 0.08},
                            std::array{0.30, 0.50, 0.06}}) {
    KeyedScene scene;
    std::copy(paint.begin(), paint.end(), scene.screen);
    scene.front[0] = 0.3, scene.front[1] = 0.3, scene.front[2] = 0.33;
    const auto drawn = scene.Draw();
    EXPECT_LT(RelativeError(OpTester("screen_plate {}").Main(drawn.plate).Render(), drawn.clean), 0.025)
        << paint[0] << ", " << paint[1] << ", " << paint[2];
  }
}

TEST(ScreenPlate, AnEvenPictureIsItsOwnCleanPlate) {
  const Picture even = MakeConstant(OPAQUE, {0, 0, 50, 30}, 0.3f);
  OpTester("screen_plate {}").Main(even).CheckIdentity();
}

TEST(ScreenPlate, IsNeverBlack) {
  auto drawn = KeyedScene{.screen = {0, 0.4, 0}}.Draw();
  const Picture plate = OpTester("screen_plate {}").Main(drawn.plate).Render();
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < 180; ++y) {
      for (int x = 0; x < 320; ++x) ASSERT_GE(plate.planes[c].at(x, y), 0.99e-4f);
    }
  }
}

TEST(ScreenPlate, WithoutAnyHueItSaysWhatToGive) {
  Picture grey = MakePicture(OPAQUE, {0, 0, 64, 48});
  grey.planes[0] = grey.planes[2] = grey.planes[1];
  const auto result = OpTester("screen_plate {}").Main(grey).TryRender();
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_NE(result.status().message().find("give the colour of the screen"), absl::string_view::npos)
      << result.status();
  const auto no_hue = OpTester("screen_plate { screen { color { r: 0.3 g: 0.3 b: 0.3 } } }").Main(grey).TryRender();
  EXPECT_EQ(no_hue.status().code(), absl::StatusCode::kInvalidArgument);
}

TEST(ScreenPlate, AGivenHueDecidesBetweenTwo) {
  // Blue curtains over the larger part of a picture with a green screen.
  KeyedScene scene{.front = {0.05, 0.1, 0.5}};
  auto drawn = scene.Draw();
  for (int y = 0; y < 180; ++y) {
    for (int x = 0; x < 190; ++x) {
      for (int c = 0; c < 3; ++c) drawn.plate.planes[c].at(x, y) = static_cast<float>(scene.front[c]);
    }
  }
  const Picture found = OpTester("screen_plate {}").Main(drawn.plate).Render();
  EXPECT_GT(found.planes[2].at(260, 90), 2 * found.planes[1].at(260, 90));
  const Picture green = OpTester("screen_plate { screen { hue: GREEN } }").Main(drawn.plate).Render();
  EXPECT_NEAR(green.planes[1].at(300, 90) / drawn.clean.planes[1].at(300, 90), 1, 0.03);
}

TEST(ScreenPlate, CoverKeepsAForegroundOfTheScreensHueOut) {
  // A patch of paint a little darker than the screen.
  auto drawn = KeyedScene{}.Draw();
  Picture cover = MakeConstant(MATTE, drawn.plate.rect(), 0);
  cover.planes[0].constant.reset();
  for (int y = 20; y < 60; ++y) {
    for (int x = 240; x < 290; ++x) {
      for (int c = 0; c < 3; ++c) drawn.plate.planes[c].at(x, y) *= 0.9f;
      cover.planes[0].at(x, y) = 1;
    }
  }
  const auto off = [&](const Picture& plate) {
    return plate.planes[1].at(265, 40) / drawn.clean.planes[1].at(265, 40) - 1;
  };
  EXPECT_LT(off(OpTester("screen_plate {}").Main(drawn.plate).Render()), -0.05);
  EXPECT_NEAR(off(OpTester("screen_plate { cover: 'c' }").Main(drawn.plate).With("cover", cover).Render()), 0, 0.02);
}

TEST(ScreenPlate, BareBringsInWhatDoesNotLookLikeScreen) {
  // A smear too dark to be a shadow.
  auto drawn = KeyedScene{}.Draw();
  Picture bare = MakeConstant(MATTE, drawn.plate.rect(), 0);
  bare.planes[0].constant.reset();
  for (int y = 20; y < 60; ++y) {
    for (int x = 240; x < 290; ++x) {
      for (int c = 0; c < 3; ++c) {
        drawn.plate.planes[c].at(x, y) *= 0.2f;
        drawn.clean.planes[c].at(x, y) *= 0.2f;
      }
      bare.planes[0].at(x, y) = 1;
    }
  }
  const auto off = [&](const Picture& plate) {
    return plate.planes[1].at(265, 40) / drawn.clean.planes[1].at(265, 40) - 1;
  };
  EXPECT_GT(off(OpTester("screen_plate {}").Main(drawn.plate).Render()), 0.5);
  EXPECT_NEAR(off(OpTester("screen_plate { bare: 'b' }").Main(drawn.plate).With("bare", bare).Render()), 0, 0.03);
}

TEST(ScreenPlate, OtherFramesShowWhatTheForegroundHides) {
  // A bump in the light that the foreground covers in this frame only.
  KeyedScene scene;
  scene.window = {0, 0, 320, 180};
  auto here = scene.Draw();
  scene.seed = 2;
  auto there = scene.Draw();
  for (int y = 0; y < 180; ++y) {
    for (int x = 0; x < 320; ++x) {
      const double d2 = (x - 150) * (x - 150) + (y - 90) * (y - 90);
      const auto bump = static_cast<float>(1 - 0.08 * std::exp(-d2 / (2 * 25 * 25)));
      for (int c = 0; c < 3; ++c) {
        there.plate.planes[c].at(x, y) = there.clean.planes[c].at(x, y) * bump;
        here.clean.planes[c].at(x, y) *= bump;
      }
    }
  }
  const Picture alone = OpTester("screen_plate {}").Main(here.plate).Render();
  const Picture both = OpTester("screen_plate { window: 1 }").Main(here.plate).Main(there.plate, 1).Render();
  const auto off = [&](const Picture& plate) {
    return std::abs(plate.planes[1].at(150, 90) / here.clean.planes[1].at(150, 90) - 1);
  };
  EXPECT_GT(off(alone), 0.04);
  EXPECT_LT(off(both), 0.02);
}

TEST(ScreenPlate, ARealWallComesOutEvenWithTheManGone) {
  const auto clip = ReadGreenClip(1001);
  if (!clip) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  const Picture plate = OpTester("screen_plate {}").Main(*clip).Render();
  // Yellow-green behind the man's chest as beside him.
  for (const auto& [x, y] : {std::pair{145, 160}, std::pair{145, 60}, std::pair{280, 40}}) {
    const float r = plate.planes[0].at(x, y), g = plate.planes[1].at(x, y), b = plate.planes[2].at(x, y);
    EXPECT_GT(r, 4 * b);
    EXPECT_NEAR(r / g, 1, 0.15);
  }
}

}  // namespace
}  // namespace selvage::worker
