#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"
#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {
namespace {

using testing::KeyedScene;
using testing::Random;

TEST(SureScreen, KeepsTheLawsOfAllOperators) {
  OpTester("sure_screen { clean_plate: 'p' }").CheckLaws();
  OpTester("sure_screen { clean_plate: 'p' distance { value: 3 } }").CheckLaws();
}

struct Flat {
  Rgb color, screen;
};
Flat NoisyScreen(const float level[3], double a, double b) {
  const Rect rect{0, 0, 640, 360};
  Flat flat;
  Random random(3);
  for (int c = 0; c < 3; ++c) {
    flat.screen[c] = Plane::Filled(rect, level[c]);
    flat.color[c] = Plane(rect);
    for (int y = 0; y < rect.y1; ++y) {
      for (int x = 0; x < rect.x1; ++x) {
        flat.color[c].at(x, y) = level[c] + static_cast<float>(std::sqrt(a * level[c] + b) * random.Gaussian());
      }
    }
  }
  return flat;
}

// Upper points of chi-squared with three degrees of freedom, from the table of the
// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4 (from memory).
TEST(SureScreen, FalseAlarmsAreThoseOfChiSquared) {
  const float level[] = {0.5f, 0.5f, 0.5f};
  const Flat flat = NoisyScreen(level, 0, 0.02);
  const ScreenNoise noise{{0, 0.02f, {0, 0, 0}}, 1.0f / 9};
  const Plane distance = ScreenDistance(flat.color, flat.screen, noise);
  for (const auto& [limit, expected] :
       {std::pair{6.251, 0.10}, std::pair{7.815, 0.05}, std::pair{11.345, 0.01}, std::pair{16.266, 0.001}}) {
    double above = 0;
    for (int y = 1; y < 359; ++y) {
      for (int x = 1; x < 639; ++x) above += distance.at(x, y) > limit;
    }
    const double rate = above / (638 * 358);
    // About 25,000 independent means; 4 standard deviations, and 2 % for the
    // share of the plate's error.
    EXPECT_NEAR(rate, expected, 4 * std::sqrt(expected / 25000) + 0.05 * expected) << limit;
  }
}

TEST(SureScreen, NoiseIsMeasuredFromThePicture) {
  const float level[] = {0.08f, 0.5f, 0.2f};
  const Flat flat = NoisyScreen(level, 8e-4, 6e-5);
  const ScreenNoise noise = MeasureScreenNoise(flat.color, flat.screen, nullptr);
  for (float y : level) EXPECT_NEAR((noise.terms.a * y + noise.terms.b) / (8e-4 * y + 6e-5), 1, 0.06) << y;
  EXPECT_NEAR(noise.share_of_mean * 9, 1, 0.08);
  // About 9,000 samples; 4 standard deviations.
  for (float r : noise.terms.correlation) EXPECT_NEAR(r, 0, 4 / std::sqrt(9000.0));
}

TEST(SureScreen, BareScreenIsFoundAndForegroundIsNot) {
  const KeyedScene scene;
  const auto drawn = scene.Draw();
  const Picture sure =
      OpTester("sure_screen { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", drawn.clean).Render();
  size_t bare = 0, found = 0, wrong = 0;
  for (int y = 0; y < scene.window.y1; ++y) {
    for (int x = 0; x < scene.window.x1; ++x) {
      const double alpha = drawn.alpha.planes[0].at(x, y);
      const bool is = sure.planes[0].at(x, y) == 1;
      if (std::hypot(x - 150, y - 90) > 64 && std::abs(y - 90) > 34) ++bare, found += is;
      wrong += is && alpha > 0.15;
    }
  }
  EXPECT_GT(static_cast<double>(found), 0.985 * static_cast<double>(bare));
  EXPECT_EQ(wrong, 0u);
}

TEST(SureScreen, AShadowIsScreenAsFarAsItIsSoft) {
  auto drawn = KeyedScene{}.Draw();
  for (int y = 110; y < 170; ++y) {
    for (int x = 220; x < 300; ++x) {
      const double d2 = (x - 260) * (x - 260) + (y - 140) * (y - 140);
      for (int c = 0; c < 3; ++c)
        drawn.plate.planes[c].at(x, y) *= static_cast<float>(1 - 0.6 * std::exp(-d2 / (2 * 9 * 9)));
    }
  }
  const Picture sure =
      OpTester("sure_screen { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", drawn.clean).Render();
  size_t found = 0;
  for (int y = 125; y < 155; ++y) {
    for (int x = 245; x < 275; ++x) found += sure.planes[0].at(x, y) == 1;
  }
  EXPECT_GT(found, 0.95 * 30 * 30);
}

// Below something dark: it falls as steadily as a smear of that, but comes to a floor beside it, and has
// nothing of its own colour in it.
TEST(SureScreen, AContactShadowIsScreenOnAnyHue) {
  const double screens[][3] = {{0.08, 0.52, 0.13}, {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09}, {0.5, 0.1, 0.36}};
  for (const auto& paint : screens) {
    KeyedScene scene;
    std::copy_n(paint, 3, scene.screen);
    std::fill_n(scene.front, 3, 0.02);
    scene.soft = 2;
    auto drawn = scene.Draw();
    const auto shade = [](int x, int y) {
      const double u = (x - 150) / 40.0, v = (y - 147) / 6.0;
      return 0.6 * std::exp(-(u * u * u * u + v * v) / 2);
    };
    size_t found = 0, all = 0;
    for (int y = 100; y < 180; ++y) {
      for (int x = 60; x < 240; ++x) {
        const float alpha = drawn.alpha.planes[0].at(x, y);
        for (int c = 0; c < 3; ++c) {
          float& v = drawn.plate.planes[c].at(x, y);
          v -= static_cast<float>((1 - alpha) * shade(x, y)) * drawn.clean.planes[c].at(x, y);
        }
      }
    }
    const Picture sure =
        OpTester("sure_screen { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", drawn.clean).Render();
    for (int y = 146; y < 175; ++y) {
      for (int x = 90; x < 210; ++x) {
        if (shade(x, y) < 0.1 || std::hypot(x - 150, y - 90) < 60) continue;
        ++all, found += sure.planes[0].at(x, y) == 1;
      }
    }
    EXPECT_GT(all, 800u);
    EXPECT_GT(static_cast<double>(found), 0.9 * static_cast<double>(all)) << paint[0];
  }
}

// Polished metal: the screen's hue, changing as slowly as a shadow, but nothing
// leads from it to lit screen.
TEST(SureScreen, AMirrorOfTheScreenIsNoScreen) {
  auto drawn = KeyedScene{}.Draw();
  size_t found = 0;
  for (int y = 60; y < 120; ++y) {
    for (int x = 120; x < 180; ++x) {
      if (std::hypot(x - 150, y - 90) > 28) continue;
      for (int c = 0; c < 3; ++c) {
        drawn.plate.planes[c].at(x, y) =
            drawn.clean.planes[c].at(x, y) * static_cast<float>(0.6 + 0.1 * std::sin(x / 9.0));
      }
    }
  }
  const Picture sure =
      OpTester("sure_screen { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", drawn.clean).Render();
  for (int y = 60; y < 120; ++y) {
    for (int x = 120; x < 180; ++x) found += sure.planes[0].at(x, y) == 1;
  }
  EXPECT_EQ(found, 0u);
}

TEST(SureScreen, MoreDistanceTakesMore) {
  const auto drawn = KeyedScene{}.Draw();
  const auto count = [&](const std::string& distance) {
    const Picture sure = OpTester("sure_screen { clean_plate: 'p' distance { value: " + distance + " } }")
                             .Main(drawn.plate)
                             .With("clean_plate", drawn.clean)
                             .Render();
    double sum = 0;
    for (int y = 0; y < sure.rect().y1; ++y) {
      for (int x = 0; x < sure.rect().x1; ++x) sum += sure.planes[0].at(x, y);
    }
    return sum;
  };
  EXPECT_LT(count("3"), count("8"));
  EXPECT_LT(count("8"), count("30"));
}

// Dark strands thinner than a pixel are in the screen's hue and half as bright, as a shadow
// is; but on both sides of them it is bright.
TEST(SureScreen, AThinDarkHairIsNoShadow) {
  KeyedScene scene;
  auto drawn = scene.Draw();
  std::vector<std::pair<int, int>> hair;
  for (int y = 20; y < 160; ++y) {
    const double at = 250 + 12 * std::sin(y / 25.0);
    for (int x = 230; x < 270; ++x) {
      const double share = 0.55 * std::max(0.0, 1 - std::abs(x - at));
      for (int c = 0; c < 3; ++c) {
        float& v = drawn.plate.planes[c].at(x, y);
        v = static_cast<float>(0.02 * share + (1 - share) * v);
      }
      if (share > 0.3) hair.emplace_back(x, y);
    }
  }
  const Picture sure =
      OpTester("sure_screen { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", drawn.clean).Render();
  size_t taken = 0;
  for (const auto& [x, y] : hair) taken += sure.planes[0].at(x, y) == 1;
  EXPECT_GT(hair.size(), 100u);
  EXPECT_LT(static_cast<double>(taken), 0.05 * static_cast<double>(hair.size()));
}

}  // namespace
}  // namespace selvage::worker
