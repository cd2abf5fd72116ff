#include "worker/kernels/motion/even_noise.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <vector>

#include "tests/ops/moving_scene.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

using testing::Random;

constexpr NoiseCurves kMedium = {{{6e-4f, 4e-5f}, {5e-4f, 3e-5f}, {9e-4f, 8e-5f}}};

// Three rows, at hand as pointers.
struct Rows {
  explicit Rows(int count) : row{std::vector<float>(count), std::vector<float>(count), std::vector<float>(count)} {}
  int count() const { return static_cast<int>(row[0].size()); }
  std::vector<float> row[3];
  float* out[3] = {row[0].data(), row[1].data(), row[2].data()};
  const float* in[3] = {row[0].data(), row[1].data(), row[2].data()};
};

Rows Levels(int count, float low, float high) {
  Rows rows(count);
  Random random(5);
  for (auto& row : rows.row) {
    for (float& v : row) v = static_cast<float>(low + (high - low) * random.Uniform());
  }
  return rows;
}

TEST(EvenNoise, EqualsItsFormula) {
  Rows rgb = Levels(37, -0.05f, 3), yuv(37);
  EvenNoiseRow(kMedium, rgb.in, 37, yuv.out);
  for (int x = 0; x < 37; ++x) {
    double z[3];
    for (int c = 0; c < 3; ++c) {
      const double a = kMedium[c].a, y = rgb.row[c][x], offset = 0.375 * a * a + kMedium[c].b;
      z[c] = 2 * y / (std::sqrt(std::max(a * y + offset, 0.0)) + std::sqrt(offset));
    }
    EXPECT_NEAR(yuv.row[0][x], (z[0] + z[1] + z[2]) / std::sqrt(3.0), 1e-4);
    EXPECT_NEAR(yuv.row[1][x], (z[0] - z[2]) / std::sqrt(2.0), 1e-4);
    EXPECT_NEAR(yuv.row[2][x], (z[0] - 2 * z[1] + z[2]) / std::sqrt(6.0), 1e-4);
  }
}

TEST(EvenNoise, NoiseHasStandardDeviationOneAtEveryLevel) {
  constexpr int kCount = 20000;
  Random random(6);
  for (double level : {0.01, 0.05, 0.2, 0.9, 4.0}) {
    Rows rgb(kCount), yuv(kCount);
    for (int c = 0; c < 3; ++c) {
      const double sigma = std::sqrt(kMedium[c].a * level + kMedium[c].b);
      for (float& v : rgb.row[c]) v = static_cast<float>(level + sigma * random.Gaussian());
    }
    EvenNoiseRow(kMedium, rgb.in, kCount, yuv.out);
    for (const auto& row : yuv.row) {
      double sum = 0, squares = 0;
      for (float v : row) {
        sum += v;
        squares += static_cast<double>(v) * v;
      }
      const double mean = sum / kCount;
      // Sampling error of a variance of 20000 values: 1 %.
      EXPECT_NEAR(squares / kCount - mean * mean, 1, 0.05) << level;
    }
  }
}

TEST(EvenNoise, RestoreUndoesItUpToTheBiasCorrection) {
  Rows rgb = Levels(41, -0.2f, 20), yuv(41), back(41);
  EvenNoiseRow(kMedium, rgb.in, 41, yuv.out);
  RestoreRow(kMedium, yuv.in, 41, back.out);
  for (int c = 0; c < 3; ++c) {
    for (int x = 0; x < 41; ++x) {
      const float y = rgb.row[c][x];
      EXPECT_NEAR(back.row[c][x], y + kMedium[c].a / 6, 3e-6f * (1 + std::abs(y))) << c << " " << y;
    }
  }
}

TEST(EvenNoise, ChannelWithoutNoiseStaysFinite) {
  Rows rgb = Levels(16, 0, 1), yuv(16), back(16);
  EvenNoiseRow({}, rgb.in, 16, yuv.out);
  RestoreRow({}, yuv.in, 16, back.out);
  for (int x = 0; x < 16; ++x) EXPECT_NEAR(back.row[1][x], rgb.row[1][x], 1e-5f);
}

TEST(EvenNoise, LumaIsTheFirstPlaneRoundedAndHeld) {
  Rows rgb = Levels(43, -0.01f, 1), yuv(43);
  rgb.row[0][7] = rgb.row[1][7] = rgb.row[2][7] = 60000;
  EvenNoiseRow(kMedium, rgb.in, 43, yuv.out);
  std::vector<int16_t> luma(43);
  EvenNoiseLumaRow(kMedium, rgb.in, 43, 16, luma.data());
  for (int x = 0; x < 43; ++x) {
    if (x == 7) continue;
    EXPECT_NEAR(luma[x], 16 * yuv.row[0][x], 0.51) << x;
  }
  EXPECT_EQ(luma[7], 16383);
}

TEST(EvenNoise, EveryTargetGivesTheSameBits) {
  Rows rgb = Levels(45, -0.05f, 2), yuv(45), back(45);
  EvenNoiseRow(kMedium, rgb.in, 45, yuv.out);
  RestoreRow(kMedium, yuv.in, 45, back.out);
  ForEverySimdTarget([&] {
    Rows yuv2(45), back2(45);
    EvenNoiseRow(kMedium, rgb.in, 45, yuv2.out);
    RestoreRow(kMedium, yuv2.in, 45, back2.out);
    for (int p = 0; p < 3; ++p) {
      EXPECT_EQ(std::memcmp(yuv.in[p], yuv2.in[p], 45 * sizeof(float)), 0);
      EXPECT_EQ(std::memcmp(back.in[p], back2.in[p], 45 * sizeof(float)), 0);
    }
  });
}

}  // namespace
}  // namespace selvage::worker
