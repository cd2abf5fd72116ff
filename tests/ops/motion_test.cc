#include "worker/kernels/motion/motion.h"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/moving_scene.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

using testing::Texture;

// Texture moved right and down by (dx, dy) pixels.
LumaPyramid Moved(const Rect& window, double dx, double dy) {
  return LumaPyramid(window, [&](int y, int16_t* row) {
    for (int x = window.x0; x < window.x1; ++x) {
      row[x - window.x0] = static_cast<int16_t>(std::lround(600 * Texture(x - dx, y - dy, 3)));
    }
  });
}

constexpr Rect kWindow = {0, 0, 208, 160};

// Largest error in quarter pixels of cells away from the edges.
int WorstError(const VectorField& field, int x, int y, int border_cells) {
  int worst = 0;
  const Rect inner = field.cells().Grow(-border_cells);
  for (int j = inner.y0; j < inner.y1; ++j) {
    for (int i = inner.x0; i < inner.x1; ++i) {
      worst = std::max({worst, std::abs(field.At(i, j).x - x), std::abs(field.At(i, j).y - y)});
    }
  }
  return worst;
}

TEST(Motion, StillPictureDoesNotMove) {
  EXPECT_EQ(EstimateMotion(Moved(kWindow, 0, 0), Moved(kWindow, 0, 0)), VectorField({0, 0, 26, 20}));
}

TEST(Motion, EvenPictureDoesNotMove) {
  const LumaPyramid even(kWindow, [](int, int16_t* row) { std::fill_n(row, kWindow.width(), int16_t{77}); });
  EXPECT_EQ(EstimateMotion(even, even), VectorField({0, 0, 26, 20}));
}

TEST(Motion, WholePixelsAreFoundExactly) {
  for (const auto& [x, y] : {std::pair{1, 0}, {-3, 2}, {9, -7}, {-17, 5}}) {
    const VectorField field = EstimateMotion(Moved(kWindow, 0, 0), Moved(kWindow, x, y));
    // The parabola may be off by a quarter where the texture is one-sided.
    EXPECT_LE(WorstError(field, 4 * x, 4 * y, 4), 1) << x << " " << y;
  }
}

TEST(Motion, QuarterPixelsAreFoundToAQuarter) {
  for (const auto& [x, y] : {std::pair{1, 2}, {-3, 1}, {6, -5}}) {
    const VectorField field = EstimateMotion(Moved(kWindow, 0, 0), Moved(kWindow, 0.25 * x, 0.25 * y));
    EXPECT_LE(WorstError(field, x, y, 4), 1) << x << " " << y;
  }
}

TEST(Motion, ReachIsFortySixPixels) {
  const Rect wide = {0, 0, 400, 160};
  const VectorField field = EstimateMotion(Moved(wide, 0, 0), Moved(wide, 44, 0));
  int found = 0, cells = 0;
  for (int j = 4; j < 16; ++j) {
    for (int i = 10; i < 40; ++i, ++cells) found += std::abs(field.At(i, j).x - 4 * 44) <= 1;
  }
  EXPECT_GT(found, 0.95 * cells);
  for (int j = 0; j < 20; ++j) {
    for (int i = 0; i < 50; ++i) EXPECT_LE(std::abs(field.At(i, j).x), 4 * kMotionReach + 2);
  }
}

// Cells, pyramid and candidates hang on the absolute origin: where the window
// begins matters only as far as its repeated edge pixels reach (a block at 1/8
// size and its filter, 128 + 46 pixels).
TEST(Motion, WindowDoesNotMoveTheCells) {
  const Rect whole = {0, 0, 480, 432}, part = {19, 26, 461, 412};
  const VectorField in_whole = EstimateMotion(Moved(whole, 0, 0), Moved(whole, 5.5, -2));
  const VectorField in_part = EstimateMotion(Moved(part, 0, 0), Moved(part, 5.5, -2));
  for (int j = (26 + 174) / 8 + 1; j < (412 - 174) / 8; ++j) {
    for (int i = (19 + 174) / 8 + 1; i < (461 - 174) / 8; ++i) {
      ASSERT_EQ(in_part.At(i, j), in_whole.At(i, j)) << i << " " << j;
    }
  }
}

TEST(Motion, OriginMayBeNegativeAndOdd) {
  const Rect odd = {-37, -11, 140, 122};
  const VectorField field = EstimateMotion(Moved(odd, 0, 0), Moved(odd, 6, -3));
  EXPECT_EQ(field.cells(), (Rect{-5, -2, 18, 16}));
  EXPECT_LE(WorstError(field, 24, -12, 4), 1);
}

TEST(Motion, OnePixelIsAPicture) {
  const Rect one = {3, 3, 4, 4};
  EXPECT_EQ(EstimateMotion(Moved(one, 0, 0), Moved(one, 1, 1)).At(0, 0), MotionVector());
}

TEST(Motion, EveryTargetGivesTheSameVectors) {
  const LumaPyramid here = Moved(kWindow, 0, 0), there = Moved(kWindow, 7.3, -4.6);
  const VectorField field = EstimateMotion(here, there);
  ForEverySimdTarget([&] { EXPECT_EQ(EstimateMotion(here, there), field); });
}

}  // namespace
}  // namespace selvage::worker
