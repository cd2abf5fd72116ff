#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using testing::KeyedScene;

TEST(RecoverColor, KeepsTheLawsOfAllOperators) {
  OpTester("recover_color { matte: 'm' clean_plate: 'p' }").CheckLaws();
}

Picture Recovered(const KeyedScene::Drawn& drawn) {
  return OpTester("recover_color { matte: 'm' clean_plate: 'p' }")
      .Main(drawn.plate)
      .With("matte", drawn.alpha)
      .With("clean_plate", drawn.clean)
      .Render();
}

// Root mean square of premultiplied colour error where alpha is soft.
template <class Color>
double BandError(const KeyedScene::Drawn& drawn, const Color& color) {
  double sum = 0, count = 0;
  for (int y = 0; y < drawn.alpha.rect().y1; ++y) {
    for (int x = 0; x < drawn.alpha.rect().x1; ++x) {
      const double alpha = drawn.alpha.planes[0].at(x, y);
      if (alpha <= 0.02 || alpha >= 0.98) continue;
      for (int c = 0; c < 3; ++c) {
        const double e = alpha * (color(c, x, y) - drawn.foreground.planes[c].at(x, y));
        sum += e * e, ++count;
      }
    }
  }
  return std::sqrt(sum / count);
}

double BySubtraction(const KeyedScene::Drawn& drawn) {
  return BandError(drawn, [&](int c, int x, int y) {
    const double a = drawn.alpha.planes[0].at(x, y);
    return std::max(0.0, (drawn.plate.planes[c].at(x, y) - (1 - a) * drawn.clean.planes[c].at(x, y)) / a);
  });
}

TEST(RecoverColor, IsNearerTheTruthThanSubtractingTheScreen) {
  const auto drawn = KeyedScene{.noise_a = 8e-4, .noise_b = 8e-5}.Draw();
  const Picture recovered = Recovered(drawn);
  const double ours = BandError(drawn, [&](int c, int x, int y) { return recovered.planes[c].at(x, y); });
  const double plate = BandError(drawn, [&](int c, int x, int y) { return drawn.plate.planes[c].at(x, y); });
  EXPECT_LT(ours, BySubtraction(drawn));
  EXPECT_LT(ours, 0.3 * plate);
}

// Noise counts in the model of the foreground too, and must be taken off it whole.
// Taken off the variances alone it leaves covariances that are none, where the
// channels share it (a codec keeps luma and drops chroma), and colour blows up.
TEST(RecoverColor, HeavyNoiseDoesNotBlowItUp) {
  for (double shared : {0.0, 0.7, 1.0}) {
    for (uint64_t seed : {1, 2, 3}) {
      const KeyedScene scene{.noise_a = 0, .noise_b = 0, .seed = seed};
      auto drawn = scene.Draw();
      testing::Random random(seed + 20);
      for (int y = 0; y < scene.window.y1; ++y) {
        for (int x = 0; x < scene.window.x1; ++x) {
          const double common = random.Gaussian();
          for (int c = 0; c < 3; ++c) {
            const double noise = std::sqrt(shared) * common + std::sqrt(1 - shared) * random.Gaussian();
            drawn.plate.planes[c].at(x, y) += static_cast<float>(0.06 * noise);
          }
        }
      }
      const Picture recovered = Recovered(drawn);
      const double ours = BandError(drawn, [&](int c, int x, int y) { return recovered.planes[c].at(x, y); });
      EXPECT_LT(ours, BySubtraction(drawn)) << shared << ", seed " << seed;
      for (int c = 0; c < 3; ++c) {
        for (int y = 0; y < scene.window.y1; ++y) {
          for (int x = 0; x < scene.window.x1; ++x) {
            if (drawn.alpha.planes[0].at(x, y) == 1) continue;
            // The foreground is nowhere above 0.75.
            ASSERT_LT(recovered.planes[c].at(x, y), 1) << shared << ", seed " << seed << ": " << x << ", " << y;
          }
        }
      }
    }
  }
}

TEST(RecoverColor, SolidStaysToTheBitAndTheMatteIsAlpha) {
  const auto drawn = KeyedScene{}.Draw();
  const Picture recovered = Recovered(drawn);
  EXPECT_EQ(recovered.kind, STRAIGHT);
  for (int y = 0; y < drawn.alpha.rect().y1; ++y) {
    for (int x = 0; x < drawn.alpha.rect().x1; ++x) {
      const float alpha = drawn.alpha.planes[0].at(x, y);
      ASSERT_EQ(recovered.planes[3].at(x, y), alpha);
      for (int c = 0; c < 3 && alpha == 1; ++c) ASSERT_EQ(recovered.planes[c].at(x, y), drawn.plate.planes[c].at(x, y));
    }
  }
}

TEST(RecoverColor, TheLocalForegroundIsPushedOutsideTheMatte) {
  const auto drawn = KeyedScene{}.Draw();
  const Picture recovered = Recovered(drawn);
  // Just outside the disc: brownish, as the disc is, no green.
  EXPECT_EQ(drawn.alpha.planes[0].at(150, 28), 0);
  EXPECT_GT(recovered.planes[0].at(150, 28), recovered.planes[1].at(150, 28));
}

TEST(RecoverColor, ExposureScalesTheColour) {
  const auto drawn = KeyedScene{}.Draw();
  auto bright = drawn;
  for (Picture* p : {&bright.plate, &bright.clean}) {
    for (int c = 0; c < 3; ++c) {
      Plane plane(p->rect());
      for (int y = 0; y < p->rect().y1; ++y) {
        for (int x = 0; x < p->rect().x1; ++x) plane.at(x, y) = 4 * p->planes[c].at(x, y);
      }
      p->planes[c] = plane;
    }
  }
  const Picture one = Recovered(drawn), four = Recovered(bright);
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < 180; ++y) {
      for (int x = 0; x < 320; ++x) ASSERT_EQ(four.planes[c].at(x, y), 4 * one.planes[c].at(x, y));
    }
  }
}

}  // namespace
}  // namespace selvage::worker
