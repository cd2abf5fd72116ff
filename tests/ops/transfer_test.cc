#include "worker/kernels/pixels/transfer.h"

#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <vector>

#include "tests/testing/simd_targets.h"
#include "worker/kernels/pixels/quick_curve.h"

namespace selvage::worker {
namespace {

float DecodeOne(Encoding e, double v) {
  float x = static_cast<float>(v);
  DecodeRow(e, &x, &x, 1);
  return x;
}
float EncodeOne(Encoding e, double v) {
  float x = static_cast<float>(v);
  EncodeRow(e, &x, &x, 1);
  return x;
}

constexpr Encoding kAll[] = {ENCODING_LINEAR, ENCODING_SRGB, ENCODING_BT709, ENCODING_PRINTING_DENSITY,
                             ENCODING_ACESCCT};

struct Pair {
  double from, to;
};

// IEC 61966-2-1; values confirmed by two routes, NumPy and OpenColorIO (whose
// joint differs by up to 5e-6).
TEST(Transfer, SrgbEncodesThePublishedValues) {
  for (Pair p : {Pair{0, 0},
                 {0.001, 0.01292},
                 {0.01, 0.0998528},
                 {0.04, 0.2209164},
                 {0.18, 0.4613561},
                 {0.5, 0.7353570},
                 {0.9, 0.9546872},
                 {1, 1}}) {
    EXPECT_NEAR(EncodeOne(ENCODING_SRGB, p.from), p.to, 2e-7) << p.from;
  }
}
TEST(Transfer, SrgbDecodesThePublishedEightBitCodes) {
  for (Pair p : {Pair{1, 0.000303527},
                 {10, 0.00303527},
                 {11, 0.00334654},
                 {50, 0.0318960},
                 {118, 0.1811642},
                 {128, 0.2158605},
                 {188, 0.5028865},
                 {255, 1}}) {
    EXPECT_NEAR(DecodeOne(ENCODING_SRGB, p.from / 255), p.to, 1e-7) << p.from;
  }
}

// ITU-R BT.709-6 item 1.2; above the toe confirmed with OpenColorIO, the toe by
// the formula (4.5 L).
TEST(Transfer, Bt709EncodesThePublishedValues) {
  for (Pair p : {Pair{0, 0},
                 {0.001, 0.0045},
                 {0.01, 0.045},
                 {0.04, 0.1591812},
                 {0.18, 0.4090077},
                 {0.5, 0.7055151},
                 {0.9, 0.9491099},
                 {1, 1}}) {
    EXPECT_NEAR(EncodeOne(ENCODING_BT709, p.from), p.to, 2e-7) << p.from;
  }
}

// Printing density: formula and OpenColorIO's log-affine transform agree.
TEST(Transfer, PrintingDensityDecodesThePublishedCodes) {
  for (Pair p : {Pair{0, -0.005651},
                 {64, -0.002311},
                 {95, 0},
                 {180, 0.010044},
                 {250, 0.024953},
                 {300, 0.041732},
                 {400, 0.102511},
                 {445, 0.149304},
                 {470, 0.183195},
                 {500, 0.233455},
                 {600, 0.515564},
                 {685, 1},
                 {700, 1.123350},
                 {750, 1.653959},
                 {800, 2.432787},
                 {900, 5.253881},
                 {1000, 11.331744},
                 {1023, 13.521695}}) {
    EXPECT_NEAR(DecodeOne(ENCODING_PRINTING_DENSITY, p.from / 1023), p.to, 1e-6 * std::max(1.0, p.to)) << p.from;
  }
}
TEST(Transfer, PrintingDensityEncodesWithTheBlackOffset) {
  EXPECT_NEAR(EncodeOne(ENCODING_PRINTING_DENSITY, 0.18) * 1023, 467.838, 1e-3);
  EXPECT_NEAR(EncodeOne(ENCODING_PRINTING_DENSITY, 0.9) * 1023, 671.429, 1e-3);
  EXPECT_NEAR(EncodeOne(ENCODING_PRINTING_DENSITY, -5) * 1023, 0, 1e-9);
}

// AMPAS S-2016-001; values confirmed with OpenColorIO.
TEST(Transfer, AcescctEncodesThePublishedValues) {
  for (Pair p : {Pair{0, 0.0729055},
                 {0.001, 0.0834458},
                 {0.0078125, 0.1552511},
                 {0.01, 0.1755790},
                 {0.18, 0.4135884},
                 {0.5, 0.4977169},
                 {1, 0.5547945},
                 {16, 0.7831050},
                 {65504, 1.4679963}}) {
    EXPECT_NEAR(EncodeOne(ENCODING_ACESCCT, p.from), p.to, 1e-7) << p.from;
  }
}

TEST(Transfer, DecodeUndoesEncode) {
  for (Encoding e : kAll) {
    for (double v = -0.005; v < 60; v = v * 1.01 + 1e-4) {
      EXPECT_NEAR(DecodeOne(e, EncodeOne(e, v)), v, 3e-6 * std::max(0.05, std::fabs(v))) << e << " " << v;
    }
  }
}

TEST(Transfer, EncodingNeverFallsOverAllHalves) {
  for (Encoding e : kAll) {
    float before = -HUGE_VALF;
    for (uint32_t bits = 0; bits < 0x7C00; ++bits) {
      // Halves upward from 0: exponent and mantissa in one count.
      const float v = bits < 0x400
                          ? std::ldexp(static_cast<float>(bits), -24)
                          : std::ldexp(static_cast<float>((bits & 0x3FF) | 0x400), static_cast<int>(bits >> 10) - 25);
      const float code = EncodeOne(e, v);
      ASSERT_GE(code, before) << e << " " << v;
      before = code;
    }
  }
}

TEST(Transfer, NotANumberPassesAndInfinityDoesNotBecomeOne) {
  for (Encoding e : kAll) {
    EXPECT_TRUE(std::isnan(DecodeOne(e, std::nan("")))) << e;
    EXPECT_TRUE(std::isnan(EncodeOne(e, std::nan("")))) << e;
    for (double v : {HUGE_VAL, -HUGE_VAL}) {
      EXPECT_FALSE(std::isnan(EncodeOne(e, v))) << e << " " << v;
      EXPECT_FALSE(std::isnan(DecodeOne(e, v))) << e << " " << v;
    }
  }
}

TEST(PowerRow, ValuesAtOrBelowZeroPassUnchanged) {
  const float in[] = {-2, -0.0f, 0, 0.25f, 4, -HUGE_VALF, HUGE_VALF};
  float out[7];
  PowerRow(0.5, in, out, 7);
  const float want[] = {-2, -0.0f, 0, 0.5f, 2, -HUGE_VALF, HUGE_VALF};
  for (int i = 0; i < 7; ++i) EXPECT_EQ(std::bit_cast<uint32_t>(out[i]), std::bit_cast<uint32_t>(want[i])) << i;
}

TEST(Transfer, EveryTargetGivesTheSameBitsAtEveryLength) {
  std::vector<float> in;
  for (int i = 0; i < 20011; ++i) in.push_back(std::ldexp(static_cast<float>(i * 7919 % 20011 - 4000), -12));
  in.insert(in.end(), {0.0f, -0.0f, HUGE_VALF, -HUGE_VALF, 65504.0f, 1e-40f});
  for (Encoding e : kAll) {
    std::vector<float> first;
    ForEverySimdTarget([&] {
      std::vector<float> all(3 * in.size());
      DecodeRow(e, in.data(), all.data(), in.size());
      EncodeRow(e, in.data(), all.data() + in.size(), in.size());
      // In two pieces: remainders of the vector loop must not differ.
      PowerRow(1 / 2.2, in.data(), all.data() + 2 * in.size(), 1237);
      PowerRow(1 / 2.2, in.data() + 1237, all.data() + 2 * in.size() + 1237, in.size() - 1237);
      if (first.empty()) first = all;
      for (size_t i = 0; i < all.size(); ++i) {
        if (std::isnan(first[i]) && std::isnan(all[i])) continue;
        ASSERT_EQ(std::bit_cast<uint32_t>(all[i]), std::bit_cast<uint32_t>(first[i])) << e << " at " << i;
      }
    });
  }
}

TEST(Transfer, TheQuickCurvesAreTheSameToAMillionth) {
  std::vector<float> light;
  for (float v = 1e-6f; v < 2000; v *= 1.0007f) light.push_back(v), light.push_back(-v);
  for (float v : {0.0f, 0.018f, 0.0031308f, 1.0f, 65504.0f}) light.push_back(v);
  for (Encoding e : {ENCODING_SRGB, ENCODING_BT709}) {
    std::vector<float> code(light.size()), quick(light.size()), back(light.size());
    ForEverySimdTarget([&] {
      EncodeRow(e, light.data(), code.data(), light.size());
      QuickEncodeRow(e, light.data(), quick.data(), light.size());
      for (size_t i = 0; i < light.size(); ++i)
        ASSERT_NEAR(quick[i], code[i], 1e-6 * (std::abs(code[i]) + 1e-3)) << light[i];
      DecodeRow(e, code.data(), back.data(), light.size());
      QuickDecodeRow(e, code.data(), quick.data(), light.size());
      for (size_t i = 0; i < light.size(); ++i)
        ASSERT_NEAR(quick[i], back[i], 1e-6 * (std::abs(back[i]) + 1e-3)) << light[i];
    });
  }
  float odd[] = {INFINITY, -INFINITY, NAN};
  QuickEncodeRow(ENCODING_BT709, odd, odd, 3);
  EXPECT_EQ(odd[0], INFINITY);
  EXPECT_EQ(odd[1], -INFINITY);
  EXPECT_TRUE(std::isnan(odd[2]));
}

}  // namespace
}  // namespace selvage::worker
