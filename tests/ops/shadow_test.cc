#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 240, 160};

// Light that is left on the screen: a soft bar.
double TrueShadow(int x) { return 1 - 0.6 * std::exp(-0.5 * std::pow((x - 90) / 25.0, 2)); }
float TrueMatte(int x, int y) {
  return static_cast<float>(std::clamp((22 - std::hypot(x - 150.0, y - 80.0)) / 4, 0.0, 1.0));
}

struct Scene {
  Picture plate, screen, matte;
};
// An uneven screen with a shadow on it, and a disc in front; noise, if any, on the plate.
Scene MakeScene(bool noise) {
  Scene s;
  s.screen = MakeConstant(OPAQUE, kRect, 1);
  s.plate = s.screen;
  s.matte.kind = MATTE;
  s.matte.planes.push_back(Plane(kRect));
  const float color[] = {0.06f, 0.4f, 0.11f};
  for (int c = 0; c < 3; ++c) {
    s.screen.planes[c] = Plane(kRect);
    s.plate.planes[c] = Plane(kRect);
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        const float a = s.matte.planes[0].at(x, y) = TrueMatte(x, y);
        const float v = s.screen.planes[c].at(x, y) = color[c] * (0.5f + 0.003f * static_cast<float>(x + y));
        s.plate.planes[c].at(x, y) = a * 0.9f + (1 - a) * v * static_cast<float>(TrueShadow(x));
      }
    }
  }
  if (noise) {
    const Plane alpha = s.plate.planes[3];
    s.plate = testing::AddNoise(s.plate, {}, 3);
    s.plate.planes[3] = alpha;
  }
  return s;
}

Plane Shadow(const Scene& s, const std::string& params) {
  return OpTester(absl::StrCat("shadow { clean_plate: 'clean' ", params, " }"))
      .Main(s.plate)
      .With("clean_plate", s.screen)
      .With("matte", s.matte)
      .Render()
      .planes[0];
}

TEST(Shadow, KeepsTheLawsOfAllOperators) {
  OpTester("shadow { clean_plate: 'clean' }").CheckLaws();
  OpTester("shadow { clean_plate: 'clean' matte: 'm' sigma { value: 2.5 } strength { value: 1.7 } }").CheckLaws();
  OpTester("shadow { clean_plate: 'clean' matte: 'm' sigma { value: 0 } }").CheckLaws();
}

TEST(Shadow, IsTheLightLeftOnTheScreen) {
  const Scene s = MakeScene(false);
  const Plane sharp = Shadow(s, "matte: 'm' sigma { value: 0 }");
  const Plane soft = Shadow(s, "matte: 'm' sigma { value: 1.5 }");
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      if (TrueMatte(x, y) > 0) continue;
      ASSERT_NEAR(sharp.at(x, y), TrueShadow(x), 1e-5) << x << ", " << y;
      // A Gaussian of deviation s changes it by s^2/2 times its second derivative
      // (at most 0.6 / 25^2). Beside the disc half of it is unseen, and the mean of
      // the rest lies within s, where the slope is at most 0.0146.
      ASSERT_NEAR(soft.at(x, y), TrueShadow(x), std::hypot(x - 150, y - 80) > 30 ? 2e-3 : 1.5 * 0.0146)
          << x << ", " << y;
    }
  }
}

TEST(Shadow, NothingIsKnownUnderTheForeground) {
  const Scene s = MakeScene(false);
  const Plane out = Shadow(s, "matte: 'm' sigma { value: 4 }");
  EXPECT_EQ(out.at(150, 80), 1.0f);
  // The bright disc must not lighten the shadow beside it (to 1, if it counted).
  EXPECT_NEAR(out.at(126, 80), TrueShadow(126), 4 * 0.0146);
  const Plane blind = Shadow(s, "sigma { value: 0 }");
  EXPECT_EQ(blind.at(150, 80), 1.0f);
}

TEST(Shadow, NoiseDoesNotPullIt) {
  const Plane out = Shadow(MakeScene(true), "matte: 'm' sigma { value: 3 }");
  double error = 0;
  int count = 0;
  for (int y = 12; y < kRect.y1 - 12; ++y) {
    for (int x = 30; x < 120; ++x, ++count) error += out.at(x, y) - TrueShadow(x);
  }
  EXPECT_NEAR(error / count, 0, 2e-3);
}

TEST(Shadow, StrengthIsItsPower) {
  const Scene s = MakeScene(false);
  const Plane one = Shadow(s, "matte: 'm'"), twice = Shadow(s, "matte: 'm' strength { value: 2 }"),
              none = Shadow(s, "matte: 'm' strength { value: 0 }");
  for (int x = 0; x < 120; ++x) {
    EXPECT_NEAR(twice.at(x, 30), static_cast<double>(one.at(x, 30)) * one.at(x, 30), 1e-6);
    EXPECT_EQ(none.at(x, 30), 1.0f);
  }
}

TEST(Shadow, BareScreenHasNone) {
  Scene s = MakeScene(false);
  s.plate = s.screen;
  const Plane out = Shadow(s, "sigma { value: 2 }");
  for (int x = 0; x < kRect.x1; ++x) ASSERT_EQ(out.at(x, 9), 1.0f);
}

}  // namespace
}  // namespace selvage::worker
