#include "worker/kernels/pixels/half.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <vector>

#include "hwy/targets.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

// Value of a binary16 pattern from its definition, in binary64.
double Definition(uint16_t h) {
  const int exponent = (h >> 10) & 31, fraction = h & 1023;
  const double sign = h & 0x8000 ? -1 : 1;
  if (exponent == 0) return sign * std::ldexp(fraction, -24);
  return sign * std::ldexp(1024 + fraction, exponent - 25);
}
bool IsNaN(uint16_t h) { return (h & 0x7FFF) > 0x7C00; }
bool IsInfinity(uint16_t h) { return (h & 0x7FFF) == 0x7C00; }

std::vector<uint16_t> AllPatterns() {
  std::vector<uint16_t> all(65536);
  for (size_t i = 0; i < all.size(); ++i) all[i] = static_cast<uint16_t>(i);
  return all;
}

// Every half, the points halfway to the next, their float neighbours, and the specials.
std::vector<float> Hard() {
  std::vector<float> v;
  for (int h = 0; h < 0x7C00; ++h) {
    const float a = HalfToFloat(static_cast<uint16_t>(h));
    const float b = h == 0x7BFF ? 65536.0f : HalfToFloat(static_cast<uint16_t>(h + 1));
    const float middle = 0.5f * (a + b);
    for (float x : {a, middle, std::nextafter(middle, 0.0f), std::nextafter(middle, 1e9f), std::nextafter(a, 1e9f)}) {
      v.push_back(x);
      v.push_back(-x);
    }
  }
  for (float x : {1e-45f, 1e-38f, 1.2e-38f, 2.9e-8f, 3e-8f, 65519.996f, 65520.0f, 1e5f, 3e38f,
                  std::numeric_limits<float>::infinity()}) {
    v.push_back(x);
    v.push_back(-x);
  }
  for (uint32_t nan : {0x7FC00000u, 0xFFC00000u, 0x7F800001u, 0xFF800001u, 0x7FFFFFFFu}) {
    v.push_back(std::bit_cast<float>(nan));
  }
  return v;
}

// binary16 facts of IEEE 754: largest, smallest normal, smallest subnormal,
// rounding at both ends.
TEST(Half, KnownValues) {
  EXPECT_EQ(FloatToHalf(65504.0f), 0x7BFF);
  EXPECT_EQ(FloatToHalf(std::ldexp(1.0f, -14)), 0x0400);
  EXPECT_EQ(FloatToHalf(std::ldexp(1.0f, -24)), 0x0001);
  EXPECT_EQ(FloatToHalf(65519.0f), 0x7BFF);
  EXPECT_EQ(FloatToHalf(65520.0f), 0x7C00);
  EXPECT_EQ(HalfToFloat(FloatToHalf(2049.0f)), 2048.0f);
  EXPECT_EQ(FloatToHalf(0.18f), 0x31C3);
  EXPECT_NEAR(HalfToFloat(uint16_t{0x31C3}), 0.1800537, 5e-8);
  EXPECT_EQ(HalfToFloat(uint16_t{0x3C01}) - 1.0f, std::ldexp(1.0f, -10));
}

TEST(Half, AllPatternsHaveTheValueOfTheDefinition) {
  const std::vector<uint16_t> all = AllPatterns();
  ForEverySimdTarget([&] {
    std::vector<float> wide(all.size());
    HalfToFloat(all.data(), wide.data(), all.size());
    for (uint16_t h : all) {
      if (IsNaN(h)) {
        ASSERT_EQ(std::bit_cast<uint32_t>(wide[h]), 0x7FC00000u) << h;
      } else if (IsInfinity(h)) {
        ASSERT_EQ(wide[h], h & 0x8000 ? -INFINITY : INFINITY);
      } else {
        ASSERT_EQ(wide[h], Definition(h)) << h;
        ASSERT_EQ(std::signbit(wide[h]), (h & 0x8000) != 0) << h;
      }
    }
  });
}

TEST(Half, AllPatternsSurviveTheRoundTrip) {
  const std::vector<uint16_t> all = AllPatterns();
  ForEverySimdTarget([&] {
    std::vector<float> wide(all.size());
    std::vector<uint16_t> back(all.size());
    HalfToFloat(all.data(), wide.data(), all.size());
    FloatToHalf(wide.data(), back.data(), all.size());
    for (uint16_t h : all) ASSERT_EQ(back[h], IsNaN(h) ? kHalfNaN : h);
  });
}

TEST(Half, RoundsToTheNearestAndTiesToEven) {
  for (float x : Hard()) {
    const uint16_t h = FloatToHalf(x);
    if (std::isnan(x)) {
      ASSERT_EQ(h, kHalfNaN);
      continue;
    }
    if (std::abs(x) >= 65520) {
      ASSERT_TRUE(IsInfinity(h)) << x;
      continue;
    }
    const double error = std::abs(Definition(h) - x);
    for (int step : {-1, 1}) {
      const uint16_t other = static_cast<uint16_t>(h + step);
      if ((h == 0 || h == 0x8000) && step < 0) continue;
      if (IsInfinity(other)) continue;
      const double there = std::abs(Definition(other) - x);
      ASSERT_LE(error, there) << x;
      if (error == there) {
        ASSERT_EQ(h & 1, 0) << x;
      }
    }
  }
}

TEST(Half, EveryTargetGivesTheSameBits) {
  const std::vector<float> hard = Hard();
  ForEverySimdTarget([&] {
    // Odd lengths and offsets reach the tails.
    for (size_t offset : {size_t{0}, size_t{3}}) {
      const size_t n = hard.size() - offset;
      std::vector<uint16_t> halves(n);
      std::vector<float> rounded(hard.begin() + offset, hard.end());
      FloatToHalf(hard.data() + offset, halves.data(), n);
      RoundToHalf(rounded.data(), n);
      for (size_t i = 0; i < n; ++i) {
        ASSERT_EQ(halves[i], FloatToHalf(hard[i + offset])) << hard[i + offset];
        ASSERT_EQ(std::bit_cast<uint32_t>(rounded[i]), std::bit_cast<uint32_t>(HalfToFloat(halves[i])));
      }
    }
  });
}

TEST(Half, NothingStoredIsNaNOrInfiniteOrMinusZero) {
  const std::vector<float> hard = Hard();
  ForEverySimdTarget([&] {
    std::vector<uint16_t> stored(hard.size());
    FloatToStored(hard.data(), stored.data(), hard.size());
    for (size_t i = 0; i < hard.size(); ++i) {
      uint16_t expected = FloatToHalf(hard[i]);
      if (IsNaN(expected) || expected == 0x8000) expected = 0;
      if (expected == 0x7C00) expected = 0x7BFF;
      if (expected == 0xFC00) expected = 0xFBFF;
      ASSERT_EQ(stored[i], expected) << hard[i];
    }
  });
}

TEST(Half, StoredOfAHalfIsStoredOfItsValue) {
  const std::vector<uint16_t> all = AllPatterns();
  std::vector<float> wide(all.size());
  HalfToFloat(all.data(), wide.data(), all.size());
  std::vector<uint16_t> want(all.size());
  FloatToStored(wide.data(), want.data(), all.size());
  ForEverySimdTarget([&] {
    std::vector<uint16_t> stored(all.size());
    HalfToStored(all.data(), stored.data(), all.size());
    ASSERT_EQ(stored, want);
  });
}

}  // namespace
}  // namespace selvage::worker
