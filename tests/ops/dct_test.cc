#include "worker/kernels/pixels/dct.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <vector>

#include "tests/ops/moving_scene.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

using testing::Random;

std::vector<float> RandomSamples(int count, uint64_t seed) {
  Random random(seed);
  std::vector<float> samples(count);
  for (float& v : samples) v = static_cast<float>(random.Gaussian());
  return samples;
}

// DCT-II by its definition (Ahmed, Natarajan & Rao 1974), orthonormal.
double Definition(const std::vector<float>& samples, int stride, int u, int v) {
  const double pi = std::acos(-1.0);
  double sum = 0;
  for (int y = 0; y < 8; ++y) {
    for (int x = 0; x < 8; ++x) {
      sum += samples[y * stride + x] * std::cos((2 * x + 1) * u * pi / 16) * std::cos((2 * y + 1) * v * pi / 16);
    }
  }
  return sum * std::sqrt(u == 0 ? 1.0 / 8 : 1.0 / 4) * std::sqrt(v == 0 ? 1.0 / 8 : 1.0 / 4);
}

TEST(Dct, EqualsItsDefinition) {
  const int stride = 13;
  const std::vector<float> samples = RandomSamples(8 * stride, 1);
  float c[64];
  Dct8x8(samples.data(), stride, c);
  for (int k = 0; k < 64; ++k) EXPECT_NEAR(c[k], Definition(samples, stride, k % 8, k / 8), 3e-6) << k;
}

TEST(Dct, InverseGivesTheSamplesBack) {
  const std::vector<float> samples = RandomSamples(64, 2);
  float c[64], back[64];
  Dct8x8(samples.data(), 8, c);
  InverseDct8x8(c, back);
  for (int k = 0; k < 64; ++k) EXPECT_NEAR(back[k], samples[k], 3e-6) << k;
}

TEST(Dct, EveryTargetGivesTheSameBits) {
  const std::vector<float> samples = RandomSamples(64, 3);
  float c[64], back[64];
  Dct8x8(samples.data(), 8, c);
  InverseDct8x8(c, back);
  ForEverySimdTarget([&] {
    float c2[64], back2[64];
    Dct8x8(samples.data(), 8, c2);
    InverseDct8x8(c2, back2);
    EXPECT_EQ(std::memcmp(c, c2, sizeof(c)), 0);
    EXPECT_EQ(std::memcmp(back, back2, sizeof(back)), 0);
  });
}

}  // namespace
}  // namespace selvage::worker
