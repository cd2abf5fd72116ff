#include "worker/kernels/motion/patch_shrink.h"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/moving_scene.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

using testing::Random;

// All rows of a function of the place, one for each plane.
template <class Function>
RollingRows Fill(const Rect& window, int planes, const Function& f) {
  RollingRows rows(window, planes, window.height());
  for (int y = window.y0; y < window.y1; ++y) {
    for (int p = 0; p < planes; ++p) {
      float* row = rows.Write(y) + p * rows.plane_stride();
      for (int x = window.x0; x < window.x1; ++x) row[x - window.x0] = f(p, x, y);
    }
    rows.Extend(y);
  }
  return rows;
}

std::vector<Plane> Shrink(const RollingRows& rows, std::vector<PatchNeighbour> neighbours, const RollingRows* pilot,
                          int origin) {
  const Rect& window = rows.window();
  const NoiseSpectrum white(64 * rows.planes(), 1.0f);
  ShrinkPass pass(&rows, std::move(neighbours), pilot, white, {}, origin);
  std::vector<Plane> out;
  for (int p = 0; p < rows.planes(); ++p) out.emplace_back(window);
  for (int y = pass.first_row(); y <= pass.last_row(); y += kPatchStride) {
    pass.Run(y);
    for (int row = std::max(y, window.y0); row < std::min(y + kPatchStride, window.y1); ++row) {
      for (int p = 0; p < rows.planes(); ++p) pass.Take(row, p, out[p].row(row));
    }
  }
  return out;
}

float Ramp(int p, int x, int y) { return 50.0f + 3.0f * x + 2.0f * y + 10.0f * p; }

TEST(RollingRows, MarginsAreMirrored) {
  const Rect window = {5, 7, 105, 97};
  const RollingRows rows = Fill(window, 3, Ramp);
  const float* row = *rows.From(20) + rows.plane_stride();
  EXPECT_EQ(row[0], Ramp(1, 5, 20));
  EXPECT_EQ(row[-1], Ramp(1, 5, 20));
  EXPECT_EQ(row[-3], Ramp(1, 7, 20));
  EXPECT_EQ(row[100], Ramp(1, 104, 20));
  EXPECT_EQ(row[102], Ramp(1, 102, 20));
  EXPECT_EQ((*rows.From(6))[0], Ramp(0, 5, 7));
  EXPECT_EQ((*rows.From(4))[0], Ramp(0, 5, 9));
  EXPECT_EQ((*rows.From(98))[0], Ramp(0, 5, 95));
}

TEST(RollingRows, SmallWindowIsMirroredOverAndOver) {
  const RollingRows rows = Fill({0, 0, 2, 1}, 1, Ramp);
  const float* row = *rows.From(-30);
  for (int x = -64; x < 66; ++x) EXPECT_EQ(row[x], Ramp(0, ((x + 64) / 2 % 2 == 0) == ((x & 1) == 0) ? 0 : 1, 0)) << x;
}

TEST(RollingRows, OldRowsMakeRoom) {
  RollingRows rows({0, 0, 4, 10}, 1, 3);
  for (int y = 0; y < 10; ++y) {
    rows.Write(y)[0] = static_cast<float>(y);
    rows.Extend(y);
    if (y >= 2) {
      EXPECT_EQ((*rows.From(y - 2))[0], static_cast<float>(y - 2));
    }
  }
}

TEST(PatchShrink, FlatPictureIsUnchanged) {
  const RollingRows rows = Fill({0, 0, 61, 47}, 3, [](int p, int, int) { return 20.0f + 5 * p; });
  const std::vector<Plane> out = Shrink(rows, {}, nullptr, 0);
  for (int p = 0; p < 3; ++p) {
    for (int y = 0; y < 47; ++y) {
      for (int x = 0; x < 61; ++x) ASSERT_NEAR(out[p].at(x, y), 20 + 5 * p, 2e-5);
    }
  }
}

TEST(PatchShrink, WhiteNoiseLosesNineTenthsOfItsEnergy) {
  Random random(9);
  const auto noise = [&](int, int, int) { return static_cast<float>(random.Gaussian()); };
  const RollingRows rows = Fill({0, 0, 160, 120}, 1, noise);
  const Plane out = Shrink(rows, {}, nullptr, 0)[0];
  double energy = 0;
  for (int y = 0; y < 120; ++y) {
    for (int x = 0; x < 160; ++x) energy += out.at(x, y) * out.at(x, y);
  }
  // The mean of a patch always stays: 1/64, and chance lets some others through.
  EXPECT_LT(energy / (160 * 120), 0.1);
  EXPECT_GT(energy / (160 * 120), 1.0 / 64);
}

// Four frames of the same scene halve the noise of what is kept: pure average of
// strong coefficients.
TEST(PatchShrink, AgreeingFramesAreAveraged) {
  const Rect window = {0, 0, 128, 96};
  const auto scene = [](int x, int y) {
    return 40 * std::sin(0.7f * x + 0.2f * y) + 30 * std::sin(0.9f * y - 0.3f * x);
  };
  Random random(11);
  const auto noisy = [&](int, int x, int y) { return scene(x, y) + static_cast<float>(random.Gaussian()); };
  const RollingRows centre = Fill(window, 1, noisy), a = Fill(window, 1, noisy), b = Fill(window, 1, noisy),
                    c = Fill(window, 1, noisy);
  const VectorField still({0, 0, 16, 12});
  const auto error = [&](const Plane& plane) {
    double sum = 0;
    for (int y = 8; y < 88; ++y) {
      for (int x = 8; x < 120; ++x) sum += std::pow(plane.at(x, y) - scene(x, y), 2);
    }
    return sum / (80 * 112);
  };
  const double alone = error(Shrink(centre, {}, nullptr, 0)[0]);
  const double four = error(Shrink(centre, {{&a, &still}, {&b, &still}, {&c, &still}}, nullptr, 0)[0]);
  EXPECT_LT(four, 0.45 * alone);
}

TEST(PatchShrink, FrameOfSomethingElseIsLeftOut) {
  const Rect window = {0, 0, 64, 64};
  Random random(12);
  const auto noise = [&](int, int, int) { return static_cast<float>(random.Gaussian()); };
  const RollingRows centre = Fill(window, 3, noise);
  const auto checks = [&](int p, int x, int y) { return 60.0f * ((x / 3 + y / 3) % 2) + noise(p, x, y); };
  const RollingRows other = Fill(window, 3, checks);
  const VectorField still({0, 0, 8, 8});
  const std::vector<Plane> alone = Shrink(centre, {}, nullptr, 0);
  const std::vector<Plane> with = Shrink(centre, {{&other, &still}}, nullptr, 0);
  for (int p = 0; p < 3; ++p) {
    for (int y = 0; y < 64; ++y) {
      for (int x = 0; x < 64; ++x) ASSERT_EQ(alone[p].at(x, y), with[p].at(x, y));
    }
  }
}

TEST(PatchShrink, PilotOfNothingLeavesNothing) {
  const Rect window = {0, 0, 40, 40};
  Random random(13);
  const RollingRows centre = Fill(window, 3, [&](int, int, int) { return static_cast<float>(random.Gaussian()); });
  const RollingRows pilot = Fill(window, 3, [](int, int, int) { return 0.0f; });
  for (const Plane& plane : Shrink(centre, {}, &pilot, 2)) {
    for (int y = 0; y < 40; ++y) {
      for (int x = 0; x < 40; ++x) ASSERT_EQ(plane.at(x, y), 0);
    }
  }
}

TEST(PatchShrink, PatchesHangOnTheOrigin) {
  const RollingRows rows = Fill({-5, 3, 30, 30}, 1, Ramp);
  const NoiseSpectrum white(64, 1.0f);
  const ShrinkPass first(&rows, {}, nullptr, white, {}, 0), second(&rows, {}, nullptr, white, {}, 2);
  // The first patch whose rows reach y = 3, the last one that begins above 30.
  EXPECT_EQ(first.first_row(), -4);
  EXPECT_EQ(first.last_row(), 28);
  EXPECT_EQ(second.first_row(), -2);
  EXPECT_EQ(second.last_row(), 26);
}

TEST(PatchShrink, EveryTargetGivesTheSameBits) {
  const Rect window = {-3, -9, 80, 51};
  Random random(14);
  const auto noisy = [&](int p, int x, int y) {
    return Ramp(p, x % 11, y % 7) + static_cast<float>(random.Gaussian());
  };
  const RollingRows centre = Fill(window, 3, noisy), other = Fill(window, 3, noisy);
  VectorField moving({-1, -2, 10, 7});
  for (int j = -2; j < 7; ++j) {
    for (int i = -1; i < 10; ++i) moving.At(i, j) = {static_cast<int16_t>(7 * i - 20), static_cast<int16_t>(5 * j + i)};
  }
  const auto both = [&] {
    std::vector<Plane> pilot = Shrink(centre, {{&other, &moving}}, nullptr, 0);
    const RollingRows rows = Fill(window, 3, [&](int p, int x, int y) { return pilot[p].at(x, y); });
    return Shrink(centre, {{&other, &moving}}, &rows, 2);
  };
  const std::vector<Plane> expected = both();
  ForEverySimdTarget([&] {
    const std::vector<Plane> out = both();
    for (int p = 0; p < 3; ++p) {
      for (int y = window.y0; y < window.y1; ++y) {
        for (int x = window.x0; x < window.x1; ++x) ASSERT_EQ(out[p].at(x, y), expected[p].at(x, y)) << x << " " << y;
      }
    }
  });
}

}  // namespace
}  // namespace selvage::worker
