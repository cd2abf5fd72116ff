#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/green_clip.h"
#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"
#include "worker/kernels/unmix/mix_rows.h"

namespace selvage::worker {
namespace {

using testing::KeyedScene;
using testing::MeanSquare;
using testing::Random;

Picture Unmixed(const Picture& plate, const Picture& clean, const std::string& more = "") {
  return OpTester("unmix { clean_plate: 'clean' " + more + " }").Main(plate).With("clean_plate", clean).Render();
}

// Variance of alpha that noise alone leaves where foreground and screen are known:
// 1 / (e N^-1 e), e = F - S. The Cramer-Rao bound of one pixel.
double Bound(const double f[3], const double s[3], double alpha, double a, double b) {
  double information = 0;
  for (int c = 0; c < 3; ++c) {
    const double mixed = alpha * f[c] + (1 - alpha) * s[c];
    information += (f[c] - s[c]) * (f[c] - s[c]) / (a * mixed + b);
  }
  return 1 / information;
}

TEST(Unmix, KeepsTheLawsOfAllOperators) {
  OpTester("unmix { clean_plate: 'p' }").CheckLaws();
  OpTester("unmix { clean_plate: 'p' bare: 's' core: 'c' solid: 'i' }").CheckLaws();
  OpTester("unmix { clean_plate: 'p' confidence: true fill: false }").CheckLaws();
}

// One pixel: the mixture, its screen and the foreground about it.
struct Pixel {
  float color[3], screen[3], mean[3], cov[6];
  MixRows Rows() const {
    MixRows rows;
    for (int c = 0; c < 3; ++c) {
      rows.color[c] = &color[c];
      rows.screen[c] = &screen[c];
      rows.foreground.mean[c] = &mean[c];
    }
    for (int k = 0; k < 6; ++k) rows.foreground.cov[k] = &cov[k];
    return rows;
  }
};

// Alpha .35 of (.7, .4, .2) before (0, .8, .1) and before (.1, .1, .9): the
// triangulation example after Smith & Blinn 1996, solved from one of its plates.
TEST(Unmix, SolvesAWorkedMixture) {
  const Pixel first{{0.245f, 0.66f, 0.135f}, {0, 0.8f, 0.1f}, {0.7f, 0.4f, 0.2f}, {1e-6f, 0, 0, 1e-6f, 0, 1e-6f}};
  const Pixel second{{0.31f, 0.205f, 0.655f}, {0.1f, 0.1f, 0.9f}, {0.7f, 0.4f, 0.2f}, {1e-6f, 0, 0, 1e-6f, 0, 1e-6f}};
  const NoiseTerms noise{0, 1e-6f, {0, 0, 0}};
  for (const Pixel& pixel : {first, second}) {
    float alpha = 0, color[3];
    SolveRow(pixel.Rows(), noise, 1, &alpha);
    EXPECT_NEAR(alpha, 0.35, 1e-5);
    float* const out[3] = {&color[0], &color[1], &color[2]};
    RecoverRow(pixel.Rows(), noise, &alpha, 1, out);
    EXPECT_NEAR(color[0], 0.7, 1e-4);
    EXPECT_NEAR(color[1], 0.4, 1e-4);
    EXPECT_NEAR(color[2], 0.2, 1e-4);
  }
}

TEST(Unmix, OfAKnownForegroundOnlyNoiseIsLeft) {
  const double f[] = {0.55, 0.36, 0.25}, s[] = {0.08, 0.52, 0.13}, a = 6e-4, b = 4e-5, alpha = 0.6;
  Random random(5);
  double squares = 0;
  const int count = 20000;
  Pixel pixel{{}, {0.08f, 0.52f, 0.13f}, {0.55f, 0.36f, 0.25f}, {1e-12f, 0, 0, 1e-12f, 0, 1e-12f}};
  const NoiseTerms noise{static_cast<float>(a), static_cast<float>(b), {0, 0, 0}};
  float solved = 0, variance = 0;
  for (int i = 0; i < count; ++i) {
    for (int c = 0; c < 3; ++c) {
      const double mixed = alpha * f[c] + (1 - alpha) * s[c];
      pixel.color[c] = static_cast<float>(mixed + std::sqrt(a * mixed + b) * random.Gaussian());
    }
    SolveRow(pixel.Rows(), noise, 1, &solved);
    squares += (solved - alpha) * (solved - alpha);
  }
  const double bound = Bound(f, s, alpha, a, b);
  // The mean of 20000 squares is known to 1 %.
  EXPECT_NEAR(squares / count / bound, 1, 0.05);
  SolveVarianceRow(pixel.Rows(), noise, &solved, 1, &variance);
  EXPECT_NEAR(variance / bound, 1, 0.1);
}

TEST(Unmix, IsWithinAFewTimesTheNoiseBoundOfTheTruth) {
  const KeyedScene scene;
  const auto drawn = scene.Draw();
  const Picture matte = Unmixed(drawn.plate, drawn.clean);
  double bound = 0;
  for (int y = 0; y < scene.window.y1; ++y) {
    for (int x = 0; x < scene.window.x1; ++x) {
      const double alpha = drawn.alpha.planes[0].at(x, y);
      double f[3], s[3];
      for (int c = 0; c < 3; ++c) f[c] = drawn.foreground.planes[c].at(x, y), s[c] = drawn.clean.planes[c].at(x, y);
      if (alpha > 0 && alpha < 1) bound += Bound(f, s, alpha, scene.noise_a, scene.noise_b);
    }
  }
  bound /= static_cast<double>(scene.window.area());
  const double error = MeanSquare(matte.planes[0], drawn.alpha.planes[0]);
  // The foreground isn't known here: a texture of a third of its brightness.
  EXPECT_LT(error, 8 * bound);
  EXPECT_LT(error, 2.5e-4);
}

TEST(Unmix, IsExactlyNothingOnScreenAndSolidInside) {
  const KeyedScene scene;
  const auto drawn = scene.Draw();
  const Picture matte = Unmixed(drawn.plate, drawn.clean);
  size_t screen = 0, zero = 0, inside = 0, one = 0;
  for (int y = 0; y < scene.window.y1; ++y) {
    for (int x = 0; x < scene.window.x1; ++x) {
      const double cx = x - 150, cy = y - 90;
      if (std::hypot(cx, cy) < 40) ++inside, one += matte.planes[0].at(x, y) == 1;
      if (std::hypot(cx, cy) > 70 && std::abs(cy) > 34) ++screen, zero += matte.planes[0].at(x, y) == 0;
    }
  }
  EXPECT_GT(static_cast<double>(zero), 0.99 * static_cast<double>(screen));
  EXPECT_GT(static_cast<double>(one), 0.99 * static_cast<double>(inside));
}

TEST(Unmix, BeatsTheBestLevelsOfASingleKey) {
  const KeyedScene scene;
  const auto drawn = scene.Draw();
  const Picture key = OpTester("color_difference { screen { clean_plate: 's' } axis: GENERAL }")
                          .Main(drawn.plate)
                          .With("screen.clean_plate", drawn.clean)
                          .Render();
  double best = 1;
  for (double black = 0; black < 0.3; black += 0.05) {
    for (double white = 0.5; white < 1.05; white += 0.05) {
      Plane levelled(scene.window);
      for (int y = 0; y < scene.window.y1; ++y) {
        for (int x = 0; x < scene.window.x1; ++x) {
          levelled.at(x, y) =
              static_cast<float>(std::clamp((key.planes[0].at(x, y) - black) / (white - black), 0.0, 1.0));
        }
      }
      best = std::min(best, MeanSquare(levelled, drawn.alpha.planes[0]));
    }
  }
  EXPECT_LT(MeanSquare(Unmixed(drawn.plate, drawn.clean).planes[0], drawn.alpha.planes[0]), 0.5 * best);
}

// A screen of another hue is the same screen: channels swapped, the matte stays
// within half precision but for pixels at the edge of a decision.
TEST(Unmix, HueOfTheScreenMakesNoDifference) {
  const KeyedScene scene;
  const int orders[3][3] = {{0, 1, 2}, {1, 2, 0}, {0, 2, 1}};
  const auto first = scene.Draw(orders[0]);
  const Picture matte = Unmixed(first.plate, first.clean);
  for (const auto& order : {orders[1], orders[2]}) {
    const auto drawn = scene.Draw(order);
    const Picture other = Unmixed(drawn.plate, drawn.clean);
    int different = 0;
    for (int y = 0; y < scene.window.y1; ++y) {
      for (int x = 0; x < scene.window.x1; ++x) {
        different += std::abs(matte.planes[0].at(x, y) - other.planes[0].at(x, y)) > 1.0 / 1024;
      }
    }
    EXPECT_LT(different, 60) << "of " << scene.window.area();
  }
}

TEST(Unmix, ExposureMakesNoDifferenceToTheBit) {
  const auto drawn = KeyedScene{}.Draw();
  Picture bright = drawn.plate, clean = drawn.clean;
  for (Picture* p : {&bright, &clean}) {
    for (int c = 0; c < 3; ++c) {
      Plane plane(p->rect());
      for (int y = 0; y < p->rect().y1; ++y) {
        for (int x = 0; x < p->rect().x1; ++x) plane.at(x, y) = 4 * p->planes[c].at(x, y);
      }
      p->planes[c] = plane;
    }
  }
  EXPECT_TRUE(SameBits(Unmixed(bright, clean), Unmixed(drawn.plate, drawn.clean)));
}

// What covers a rectangle of the drawn scene: a share of a grey, the rest what was there.
template <class Share, class Grey>
void Cover(KeyedScene::Drawn* drawn, const Rect& r, const Share& share, const Grey& grey) {
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      const double a = share(x, y);
      for (int c = 0; c < 3; ++c) {
        float& v = drawn->plate.planes[c].at(x, y);
        v = static_cast<float>(a * grey(x, y) + (1 - a) * v);
      }
    }
  }
}
double MeanIn(const Plane& plane, const Rect& r) {
  double sum = 0;
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) sum += plane.at(x, y);
  }
  return sum / static_cast<double>(r.area());
}

TEST(Unmix, MasksDecide) {
  const KeyedScene scene;
  const auto drawn = scene.Draw();
  const auto box = [&](const Rect& r) {
    Picture mask = MakeConstant(MATTE, scene.window, 0);
    mask.planes[0].constant.reset();
    for (int y = r.y0; y < r.y1; ++y) std::fill_n(&mask.planes[0].at(r.x0, y), r.width(), 1.0f);
    return mask;
  };
  const Rect screen{130, 70, 150, 90}, solid{10, 10, 30, 30}, both{12, 12, 20, 20};
  Picture screens = box(screen);
  for (int y = both.y0; y < both.y1; ++y) std::fill_n(&screens.planes[0].at(both.x0, y), both.width(), 1.0f);
  const Picture matte = OpTester("unmix { clean_plate: 'p' bare: 's' solid: 'i' }")
                            .Main(drawn.plate)
                            .With("clean_plate", drawn.clean)
                            .With("bare", screens)
                            .With("solid", box(solid))
                            .Render();
  EXPECT_EQ(matte.planes[0].at(140, 80), 0);
  EXPECT_EQ(matte.planes[0].at(28, 28), 1);
  EXPECT_EQ(matte.planes[0].at(15, 15), 1) << "solid is stronger than screen";
  // A core that is given is solid.
  const Picture core = OpTester("unmix { clean_plate: 'p' core: 'c' }")
                           .Main(drawn.plate)
                           .With("clean_plate", drawn.clean)
                           .With("core", box({120, 60, 180, 120}))
                           .Render();
  EXPECT_EQ(core.planes[0].at(121, 61), 1);
  EXPECT_LT(MeanSquare(core.planes[0], drawn.alpha.planes[0]), 1e-3);
}

// Dark tape of nearly the screen's hue, crossed: sharp, so no shadow.
TEST(Unmix, AMarkOnTheScreenIsScreen) {
  auto drawn = KeyedScene{}.Draw();
  const float tape[] = {0.42f, 0.45f, 0.5f};
  for (int y = 33; y < 48; ++y) {
    for (int x = 253; x < 268; ++x) {
      if (std::abs(x - 260) > 1 && std::abs(y - 40) > 1) continue;
      for (int c = 0; c < 3; ++c) drawn.plate.planes[c].at(x, y) *= tape[c];
    }
  }
  const Picture matte = Unmixed(drawn.plate, drawn.clean);
  for (int y = 28; y < 53; ++y) {
    for (int x = 248; x < 273; ++x) ASSERT_EQ(matte.planes[0].at(x, y), 0) << x << ", " << y;
  }
}

// Polished metal in the middle of the foreground: nowhere as much screen as screen.
TEST(Unmix, AnEnclosedMirrorIsSolidUnlessFillIsOff) {
  auto drawn = KeyedScene{}.Draw();
  for (int y = 65; y < 115; ++y) {
    for (int x = 125; x < 175; ++x) {
      if (std::hypot(x - 150, y - 90) > 22) continue;
      for (int c = 0; c < 3; ++c) {
        drawn.plate.planes[c].at(x, y) =
            drawn.clean.planes[c].at(x, y) * static_cast<float>(0.6 + 0.1 * std::sin(x / 6.0));
      }
    }
  }
  EXPECT_EQ(Unmixed(drawn.plate, drawn.clean).planes[0].at(150, 90), 1);
  EXPECT_LT(Unmixed(drawn.plate, drawn.clean, "fill: false").planes[0].at(150, 90), 0.9);
}

// A foreground of half the screen's colour and half a grey: half a key, nowhere core.
TEST(Unmix, WithoutCoreThePlainKeyIsLeft) {
  KeyedScene scene;
  for (int c = 0; c < 3; ++c) scene.front[c] = 0.5 * scene.screen[c] + 0.15;
  const auto drawn = scene.Draw();
  const Picture matte = Unmixed(drawn.plate, drawn.clean);
  EXPECT_NEAR(MeanIn(matte.planes[0], {135, 75, 165, 105}), 0.5, 0.06);
  EXPECT_EQ(matte.planes[0].at(5, 5), 0);
  // Given one, it is solved from that.
  Picture core = MakeConstant(MATTE, scene.window, 0);
  core.planes[0].constant.reset();
  for (int y = 60; y < 120; ++y) std::fill_n(&core.planes[0].at(120, y), 60, 1.0f);
  const Picture solved = OpTester("unmix { clean_plate: 'p' core: 'c' }")
                             .Main(drawn.plate)
                             .With("clean_plate", drawn.clean)
                             .With("core", core)
                             .Render();
  EXPECT_GT(MeanIn(solved.planes[0], {110, 85, 118, 95}), 0.9);
}

TEST(Unmix, AGreyPlateIsRefusedWithItsColour) {
  const auto drawn = KeyedScene{}.Draw();
  Picture grey = drawn.clean;
  grey.planes[0] = grey.planes[2] = grey.planes[1];
  const auto result = OpTester("unmix { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", grey).TryRender();
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_NE(result.status().message().find("grey"), absl::string_view::npos) << result.status();
}

TEST(Unmix, ConfidenceIsLowWhereForegroundAndScreenAreAlike) {
  const KeyedScene clear;
  KeyedScene alike;
  alike.front[0] = 0.2, alike.front[1] = 0.5, alike.front[2] = 0.2;
  const auto mean_in_band = [](const KeyedScene& scene) {
    const auto drawn = scene.Draw();
    const Picture sure = Unmixed(drawn.plate, drawn.clean, "confidence: true");
    double sum = 0, count = 0;
    for (int y = 0; y < scene.window.y1; ++y) {
      for (int x = 0; x < scene.window.x1; ++x) {
        const float alpha = drawn.alpha.planes[0].at(x, y);
        if (alpha > 0.1 && alpha < 0.9) sum += sure.planes[0].at(x, y), ++count;
      }
    }
    EXPECT_EQ(sure.planes[0].at(2, 2), 1);
    return sum / count;
  };
  EXPECT_GT(mean_in_band(clear), 0.7);
  EXPECT_LT(mean_in_band(alike), mean_in_band(clear) - 0.1);
}

// The same two colours on average, three tenths to half of them a white: as a veil
// the share varies, as spilled cloth the light. That is all that tells them apart.
TEST(Unmix, AVeilStaysThinAndSpilledClothTurnsSolidOnAnyHue) {
  const double screens[][3] = {{0.08, 0.52, 0.13}, {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09}, {0.5, 0.1, 0.36}};
  // From 6 pixels inside on (12 at 360 lines): nearer to bare screen doubt means a mixture.
  const Rect place{225, 20, 300, 160}, inside{240, 40, 285, 140}, deep{247, 42, 278, 138};
  for (const auto& paint : screens) {
    for (const double thin : {0.3, 0.45}) {
      KeyedScene scene;
      std::copy_n(paint, 3, scene.screen);
      std::fill_n(scene.front, 3, 0.3);
      const auto folds = [](int x, int y) { return std::sin(x / 2.5 + 0.05 * y) + 0.5 * std::sin(y / 3.0); };
      auto veil = scene.Draw();
      Cover(
          &veil, place, [&](int x, int y) { return thin * (1 + 0.15 * folds(x, y)); }, [](int, int) { return 0.7; });
      const Plane as_veil = Unmixed(veil.plate, veil.clean).planes[0];
      EXPECT_LT(MeanIn(as_veil, inside), thin + 0.15) << paint[0] << " " << thin;

      auto cloth = scene.Draw();
      Cover(
          &cloth, place, [&](int, int) { return 0.45; }, [](int, int) { return 0.7; });
      for (int y = place.y0; y < place.y1; ++y) {
        for (int x = place.x0; x < place.x1; ++x) {
          for (int c = 0; c < 3; ++c) cloth.plate.planes[c].at(x, y) *= static_cast<float>(1 + 0.12 * folds(x, y));
        }
      }
      const Plane as_cloth = Unmixed(cloth.plate, cloth.clean).planes[0];
      EXPECT_GT(MeanIn(as_cloth, deep), 0.95) << paint[0] << " " << thin;
    }
  }
}

// The same cloth: what is named soft stays as it looks, what is named solid is solid; and
// where a part was closed by a guess, the matte is not sure of it.
TEST(Unmix, SoftForbidsAndSolidOrdersWhatIsHardened) {
  KeyedScene scene;
  std::fill_n(scene.front, 3, 0.3);
  auto cloth = scene.Draw();
  const Rect place{225, 20, 300, 160}, deep{250, 45, 275, 135};
  Cover(
      &cloth, place, [](int, int) { return 0.45; }, [](int, int) { return 0.7; });
  for (int y = place.y0; y < place.y1; ++y) {
    for (int x = place.x0; x < place.x1; ++x) {
      const double folds = std::sin(x / 2.5 + 0.05 * y) + 0.5 * std::sin(y / 3.0);
      for (int c = 0; c < 3; ++c) cloth.plate.planes[c].at(x, y) *= static_cast<float>(1 + 0.12 * folds);
    }
  }
  Picture mask = MakeConstant(MATTE, scene.window, 0);
  mask.planes[0].constant.reset();
  for (int y = place.y0; y < place.y1; ++y) std::fill_n(&mask.planes[0].at(place.x0, y), place.width(), 0.01f);
  const auto render = [&](const std::string& fields, const Picture& more) {
    OpTester tester("unmix { clean_plate: 'p' " + fields + " }");
    tester.Main(cloth.plate).With("clean_plate", cloth.clean);
    for (const std::string port : {"soft", "solid"}) {
      if (fields.find(port + ":") != std::string::npos) tester.With(port, more);
    }
    return tester.Render().planes[0];
  };
  EXPECT_GT(MeanIn(render("", mask), deep), 0.95);
  EXPECT_LT(MeanIn(render("soft: 's'", mask), deep), 0.8);
  const Plane sure = render("confidence: true", mask);
  EXPECT_LT(MeanIn(sure, deep), 0.6);
  EXPECT_EQ(sure.at(150, 90), 1);
  EXPECT_EQ(sure.at(5, 5), 1);
  for (int y = place.y0; y < place.y1; ++y) std::fill_n(&mask.planes[0].at(place.x0, y), place.width(), 1.0f);
  EXPECT_EQ(MeanIn(render("solid: 'i'", mask), place), 1);
  EXPECT_EQ(MeanIn(render("solid: 'i' confidence: true", mask), place), 1);
  // Solid is stronger.
  EXPECT_EQ(MeanIn(render("solid: 'i' soft: 's'", mask), place), 1);
}

// Even cloth full of spill looks like a veil: a loose mask in the middle of it closes all of it,
// and nothing of a smear that is joined to the mask.
TEST(Unmix, ALooseMaskOrdersWhatIsJoinedToIt) {
  KeyedScene scene;
  std::fill_n(scene.front, 3, 0.3);
  const Rect place{228, 20, 292, 160}, loose{250, 45, 270, 135}, beside{234, 40, 246, 140};
  Picture mask = MakeConstant(MATTE, scene.window, 0);
  mask.planes[0].constant.reset();
  for (int y = loose.y0; y < loose.y1; ++y) std::fill_n(&mask.planes[0].at(loose.x0, y), loose.width(), 1.0f);
  const auto masked = [&](const KeyedScene::Drawn& drawn) {
    return OpTester("unmix { clean_plate: 'p' solid: 's' }")
        .Main(drawn.plate)
        .With("clean_plate", drawn.clean)
        .With("solid", mask)
        .Render()
        .planes[0];
  };
  auto cloth = scene.Draw();
  Cover(
      &cloth, place, [](int, int) { return 0.45; }, [](int, int) { return 0.7; });
  for (int y = place.y0; y < place.y1; ++y) {
    for (int x = place.x0; x < place.x1; ++x) {
      const double folds = std::sin(x / 2.5 + 0.05 * y) + 0.5 * std::sin(y / 3.0);
      for (int c = 0; c < 3; ++c) cloth.plate.planes[c].at(x, y) *= static_cast<float>(1 + 0.02 * folds);
    }
  }
  EXPECT_LT(MeanIn(Unmixed(cloth.plate, cloth.clean).planes[0], beside), 0.9);
  EXPECT_GT(MeanIn(masked(cloth), beside), 0.97);

  auto smear = scene.Draw();
  const auto cover = [](int x, int) { return std::clamp((x - 200) / 45.0, 0.0, 1.0); };
  Cover(&smear, {200, 20, 292, 160}, cover, [](int, int) { return 0.7; });
  double error = 0, alone = 0;
  const Plane without = Unmixed(smear.plate, smear.clean).planes[0];
  const Plane matte = masked(smear);
  const Rect ramp{202, 50, 244, 130};
  for (int y = ramp.y0; y < ramp.y1; ++y) {
    for (int x = ramp.x0; x < ramp.x1; ++x)
      error += std::pow(matte.at(x, y) - cover(x, y), 2) / static_cast<double>(ramp.area()),
          alone += std::pow(without.at(x, y) - cover(x, y), 2) / static_cast<double>(ramp.area());
  }
  EXPECT_LT(error, 1.05 * alone);
}

// A tinted pane in a frame, before bare screen: its reflections vary as cloth does, so a
// loose `soft` mask says that what is behind it is seen.
TEST(Unmix, AFramedPaneStaysOpenOnAnyHue) {
  const double screens[][3] = {{0.08, 0.52, 0.13}, {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09}, {0.5, 0.1, 0.36}};
  for (const auto& paint : screens) {
    KeyedScene scene;
    std::copy_n(paint, 3, scene.screen);
    auto drawn = scene.Draw();
    Cover(
        &drawn, {220, 20, 300, 160}, [](int x, int y) { return 0.3 + 0.15 * std::sin((x - 0.5 * y) / 12.0); },
        [](int, int) { return 0.5; });
    for (const Rect& bar :
         {Rect{220, 20, 300, 24}, Rect{220, 156, 300, 160}, Rect{220, 20, 224, 160}, Rect{296, 20, 300, 160}}) {
      Cover(
          &drawn, bar, [](int, int) { return 1.0; }, [](int, int) { return 0.03; });
    }
    Picture soft = MakeConstant(MATTE, scene.window, 0);
    soft.planes[0].constant.reset();
    for (int y = 18; y < 162; ++y) std::fill_n(&soft.planes[0].at(218, y), 84, 1.0f);
    const Picture matte = OpTester("unmix { clean_plate: 'p' soft: 's' fill: false }")
                              .Main(drawn.plate)
                              .With("clean_plate", drawn.clean)
                              .With("soft", soft)
                              .Render();
    EXPECT_LT(MeanIn(matte.planes[0], {230, 30, 290, 150}), 0.5) << paint[0];
  }
}

// Black threads, most of them beside each other within a pixel, hung from something
// bright: they leave so little of the screen that a key takes them for solid.
TEST(Unmix, AMeshStaysAMixtureOnAnyHue) {
  const double screens[][3] = {{0.08, 0.52, 0.13}, {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09}, {0.5, 0.1, 0.36}};
  const Rect place{215, 25, 300, 155};
  const auto cover = [](int x, int y) {
    return 0.77 + 0.1 * std::sin(1.9 * x) * std::sin(2.3 * y) + 0.05 * std::sin(x / 6.0);
  };
  for (const auto& paint : screens) {
    KeyedScene scene;
    std::copy_n(paint, 3, scene.screen);
    auto drawn = scene.Draw();
    Cover(&drawn, place, cover, [](int, int) { return 0.04; });
    Cover(
        &drawn, {210, 15, 305, 25}, [](int, int) { return 1.0; }, [](int, int) { return 0.5; });
    const Plane matte = Unmixed(drawn.plate, drawn.clean).planes[0];
    double error = 0;
    const Rect inside{225, 35, 290, 145};
    for (int y = inside.y0; y < inside.y1; ++y) {
      for (int x = inside.x0; x < inside.x1; ++x)
        error += std::pow(matte.at(x, y) - cover(x, y), 2) / static_cast<double>(inside.area());
    }
    EXPECT_LT(error, 0.01) << paint[0];
    EXPECT_EQ(MeanIn(matte, {225, 18, 290, 22}), 1) << paint[0];
  }
}

// From sharp to out of focus: nothing of a wide edge is made solid.
TEST(Unmix, SoftEdgesOfAnyWidthStaySoft) {
  const std::pair<double, double> limits[] = {{2, 1.5e-4}, {8, 1.5e-4}, {16, 5e-4}, {24, 2e-3}};
  for (const auto& [soft, limit] : limits) {
    KeyedScene scene;
    scene.soft = soft;
    const auto drawn = scene.Draw();
    EXPECT_LT(MeanSquare(Unmixed(drawn.plate, drawn.clean).planes[0], drawn.alpha.planes[0]), limit) << soft;
  }
}

// Flat: nothing tells, so it stays the mixture it looks like.
// Nearly black, so its smear has the screen's hue as a shadow has.
TEST(Unmix, TheSmearOfSomethingDarkIsNoShadowOnAnyHue) {
  const double screens[][3] = {{0.08, 0.52, 0.13}, {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09}, {0.5, 0.1, 0.36}};
  for (const auto& paint : screens) {
    KeyedScene scene;
    std::copy_n(paint, 3, scene.screen);
    auto drawn = scene.Draw();
    Cover(
        &drawn, {220, 20, 300, 160}, [](int x, int) { return std::min(1.0, (x - 220) / 60.0); },
        [](int, int) { return 0.005; });
    const Picture matte = Unmixed(drawn.plate, drawn.clean);
    EXPECT_NEAR(MeanIn(matte.planes[0], {246, 40, 254, 140}), 0.5, 0.15) << paint[0];
  }
}

TEST(Unmix, AFlatVeilStaysThin) {
  for (const double thin : {0.3, 0.45}) {
    auto drawn = KeyedScene{}.Draw();
    Cover(
        &drawn, {225, 20, 300, 160}, [&](int, int) { return thin; }, [](int, int) { return 0.7; });
    EXPECT_LT(MeanIn(Unmixed(drawn.plate, drawn.clean).planes[0], {240, 40, 285, 140}), thin + 0.15);
  }
}

// A mask in one place harms no other.
TEST(Unmix, MasksHarmNothingBesideThem) {
  const double screens[][3] = {{0.08, 0.52, 0.13}, {0.06, 0.12, 0.5}, {0.32, 0.5, 0.09}, {0.5, 0.1, 0.36}};
  for (const auto& paint : screens) {
    KeyedScene scene;
    std::copy_n(paint, 3, scene.screen);
    std::fill_n(scene.front, 3, 0.3);
    auto drawn = scene.Draw();
    // A veil, and a spilled block that mirrors the screen at its left.
    const Rect veil{230, 10, 300, 80}, block{230, 100, 300, 165};
    const auto ripple = [](int x, int y) { return std::sin(x / 2.5 + 0.05 * y); };
    Cover(
        &drawn, veil, [&](int x, int y) { return 0.35 * (1 + 0.15 * ripple(x, y)); }, [](int, int) { return 0.7; });
    Cover(
        &drawn, block, [&](int x, int) { return x < 250 ? 0.15 : 0.45; }, [](int, int) { return 0.4; });
    Plane& truth = drawn.alpha.planes[0];
    for (int y = 0; y < scene.window.y1; ++y) {
      for (int x = 0; x < scene.window.x1; ++x) {
        const Rect here{x, y, x + 1, y + 1};
        if (!here.Intersect(veil).empty())
          truth.at(x, y) += (1 - truth.at(x, y)) * static_cast<float>(0.35 * (1 + 0.15 * ripple(x, y)));
        if (!here.Intersect(block).empty()) truth.at(x, y) = 1;
      }
    }
    const auto mask = [&](const Rect& r) {
      Picture picture = MakeConstant(MATTE, scene.window, 0);
      picture.planes[0].constant.reset();
      for (int y = r.y0; y < r.y1; ++y) std::fill_n(&picture.planes[0].at(r.x0, y), r.width(), 1.0f);
      return picture;
    };
    const Rect core{120, 60, 180, 120}, solid{230, 100, 270, 165};
    const Plane free = Unmixed(drawn.plate, drawn.clean).planes[0];
    const Plane masked = OpTester("unmix { clean_plate: 'p' core: 'c' solid: 's' }")
                             .Main(drawn.plate)
                             .With("clean_plate", drawn.clean)
                             .With("core", mask(core))
                             .With("solid", mask(solid))
                             .Render()
                             .planes[0];
    double without = 0, with = 0;
    for (int y = 0; y < scene.window.y1; ++y) {
      for (int x = 0; x < scene.window.x1; ++x) {
        const Rect here{x, y, x + 1, y + 1};
        if (!here.Intersect(core).empty() || !here.Intersect(solid).empty()) continue;
        without += std::pow(free.at(x, y) - truth.at(x, y), 2);
        with += std::pow(masked.at(x, y) - truth.at(x, y), 2);
      }
    }
    EXPECT_LT(with, 1.02 * without + 0.5) << paint[0];
    EXPECT_EQ(MeanIn(masked, solid), 1);
  }
}

// A real clip before a yellow-green wall, on which green minus the larger of red
// and blue is nothing: the man inside is solid and the wall is clear.
TEST(Unmix, KeysAYellowGreenWall) {
  const auto clip = ReadGreenClip(1001);
  if (!clip) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  const Picture plate = OpTester("screen_plate {}").Main(*clip).Render();
  const Picture matte = Unmixed(*clip, plate);
  const auto mean = [&](const Rect& r) { return MeanColor(Crop(matte, r), r)[0]; };
  EXPECT_LT(mean({230, 20, 300, 90}), 0.02);
  EXPECT_GT(mean({120, 150, 170, 185}), 0.95);
}

}  // namespace
}  // namespace selvage::worker
