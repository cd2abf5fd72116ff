#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-5, 3, 100, 80};

// A screen lit from one side.
Picture UnevenScreen() {
  Picture p = MakePicture(OPAQUE, kRect);
  const float color[] = {0.06f, 0.4f, 0.11f};
  for (int c = 0; c < 3; ++c) {
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        p.planes[c].at(x, y) = color[c] * (0.4f + 0.006f * static_cast<float>(x) + 0.003f * static_cast<float>(y));
      }
    }
  }
  return p;
}

TEST(ScreenLevel, KeepsTheLawsOfAllOperators) {
  OpTester("screen_level { clean_plate: 'clean' color { r: 0.1 g: 0.5 b: 0.2 } }").CheckLaws();
  OpTester("screen_level { clean_plate: 'clean' sample { x: 4 y: 4 width: 8 height: 8 } }").CheckLaws();
}

TEST(ScreenLevel, BareScreenBecomesTheLevelToTheBit) {
  const Picture screen = UnevenScreen();
  for (bool sampled : {false, true}) {
    OpTester tester(sampled ? "screen_level { clean_plate: 'clean' sample { x: 4 y: 4 width: 8 height: 8 } }"
                            : "screen_level { clean_plate: 'clean' color { r: 0.07 g: 0.45 b: 0.12 } }");
    tester.Main(screen).With("clean_plate", screen);
    if (sampled) tester.WithNumbers("sample", {0.07f, 0.45f, 0.12f, 1.0f});
    const Picture out = tester.Render();
    const float level[] = {0.07f, 0.45f, 0.12f, 1.0f};
    for (int c = 0; c < 4; ++c) {
      for (int y = kRect.y0; y < kRect.y1; ++y) {
        for (int x = kRect.x0; x < kRect.x1; ++x) ASSERT_EQ(out.planes[c].at(x, y), level[c]);
      }
    }
  }
}

// What lies in front under the same light is levelled with it: C = k S gives k x level.
TEST(ScreenLevel, KeepsTheRatioToTheScreen) {
  const Picture screen = UnevenScreen();
  Picture in = UnevenScreen();
  for (int c = 0; c < 3; ++c) {
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) in.planes[c].at(x, y) *= 0.25f + static_cast<float>(x & 7);
    }
  }
  const Picture out = OpTester("screen_level { clean_plate: 'clean' color { r: 0.1 g: 0.5 b: 0.2 } }")
                          .Main(in)
                          .With("clean_plate", screen)
                          .Render();
  const double level[] = {0.1, 0.5, 0.2};
  for (int c = 0; c < 3; ++c) {
    for (int x = kRect.x0; x < kRect.x1; ++x) EXPECT_NEAR(out.planes[c].at(x, 40), level[c] * (0.25 + (x & 7)), 1e-6);
  }
}

TEST(ScreenLevel, BlackPlateCountsAsLeastScreen) {
  const Picture out = OpTester("screen_level { clean_plate: 'clean' color { r: 0.1 g: 0.5 b: 0.2 } }")
                          .Main(MakeConstant(OPAQUE, kRect, 1e-5f))
                          .With("clean_plate", MakeConstant(OPAQUE, kRect, 0))
                          .Render();
  EXPECT_NEAR(out.planes[0].at(5, 5), 0.01, 1e-6);
}

}  // namespace
}  // namespace selvage::worker
