#include <gtest/gtest.h>

#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using testing::KeyedScene;

TEST(SureCore, KeepsTheLawsOfAllOperators) {
  OpTester("sure_core { clean_plate: 'p' }").CheckLaws();
  OpTester("sure_core { clean_plate: 'p' solid { value: 1.1 } fill: false }").CheckLaws();
}

Picture Core(const KeyedScene::Drawn& drawn, const std::string& more = "") {
  return OpTester("sure_core { clean_plate: 'p' " + more + " }")
      .Main(drawn.plate)
      .With("clean_plate", drawn.clean)
      .Render();
}

TEST(SureCore, IsInsideTheSolidPart) {
  const KeyedScene scene;
  const auto drawn = scene.Draw();
  const Picture core = Core(drawn);
  size_t inside = 0, found = 0;
  for (int y = 0; y < scene.window.y1; ++y) {
    for (int x = 0; x < scene.window.x1; ++x) {
      const bool is = core.planes[0].at(x, y) == 1;
      ASSERT_TRUE(is || core.planes[0].at(x, y) == 0);
      ASSERT_TRUE(!is || drawn.alpha.planes[0].at(x, y) > 0.9) << x << ", " << y;
      if (std::hypot(x - 150, y - 90) < 45) ++inside, found += is;
    }
  }
  EXPECT_GT(static_cast<double>(found), 0.99 * static_cast<double>(inside));
}

// Red before blue has a key of nearly 2, so half of it would do for a core; but there its key still rises.
TEST(SureCore, KeepsOutOfASoftRimWhereTheKeyIsAboveOne) {
  KeyedScene scene;
  const double blue[] = {0.06, 0.12, 0.5}, red[] = {0.6, 0.06, 0.03};
  std::copy_n(blue, 3, scene.screen);
  std::copy_n(red, 3, scene.front);
  scene.soft = 30;
  const auto drawn = scene.Draw();
  const Picture core = Core(drawn);
  size_t found = 0, soft = 0;
  for (int y = 0; y < scene.window.y1; ++y) {
    for (int x = 0; x < scene.window.x1; ++x) {
      const bool is = core.planes[0].at(x, y) == 1;
      found += is, soft += is && drawn.alpha.planes[0].at(x, y) < 0.65f;
    }
  }
  EXPECT_GT(found, 1500u);
  EXPECT_LT(static_cast<double>(soft), 0.03 * static_cast<double>(found));
}

// A pane of 30x30 in the middle that mixes 55 % of screen with the foreground.
KeyedScene::Drawn WithPane() {
  auto drawn = KeyedScene{}.Draw();
  for (int c = 0; c < 3; ++c) {
    for (int y = 75; y < 105; ++y) {
      for (int x = 135; x < 165; ++x) {
        float& v = drawn.plate.planes[c].at(x, y);
        v = 0.45f * v + 0.55f * drawn.clean.planes[c].at(x, y);
      }
    }
  }
  return drawn;
}

TEST(SureCore, AnEnclosedEvenPaneIsFilledUnlessFillIsOff) {
  const auto drawn = WithPane();
  EXPECT_EQ(Core(drawn).planes[0].at(150, 90), 1);
  EXPECT_EQ(Core(drawn, "fill: false").planes[0].at(150, 90), 0);
}

TEST(SureCore, AGapThatShowsTheScreenStaysOpen) {
  auto drawn = KeyedScene{}.Draw();
  for (int c = 0; c < 3; ++c) {
    for (int y = 75; y < 105; ++y) {
      for (int x = 135; x < 165; ++x) drawn.plate.planes[c].at(x, y) = drawn.clean.planes[c].at(x, y);
    }
  }
  EXPECT_EQ(Core(drawn).planes[0].at(150, 90), 0);
}

TEST(SureCore, AHigherSolidTakesLess) {
  const auto drawn = KeyedScene{}.Draw();
  const auto count = [](const Picture& p) {
    double sum = 0;
    for (int y = 0; y < p.rect().y1; ++y) {
      for (int x = 0; x < p.rect().x1; ++x) sum += p.planes[0].at(x, y);
    }
    return sum;
  };
  EXPECT_LT(count(Core(drawn, "solid { value: 1.2 }")), count(Core(drawn, "solid { value: 0.6 }")));
}

}  // namespace
}  // namespace selvage::worker
