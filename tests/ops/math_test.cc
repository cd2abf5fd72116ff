#include "worker/kernels/pixels/math.h"

#include <gtest/gtest.h>

#include <bit>
#include <cmath>

namespace selvage::worker {
namespace {

constexpr double kBound = 1e-13;

double RelativeError(double got, long double want) {
  return want == 0 ? std::fabs(got) : static_cast<double>(std::fabs((got - want) / want));
}

// The C library in 80 bits is the outside reference here.
TEST(Math, Exp2IsCloseToTheLibrarysOverItsRange) {
  for (int i = 0; i <= 200000; ++i) {
    const double x = -1021.9 + i * 0.010225;
    ASSERT_LT(RelativeError(Exp2(x), exp2l(x)), kBound) << x;
  }
}

TEST(Math, Log2IsCloseToTheLibrarysAroundOneAndFarAway) {
  for (int i = 1; i <= 200000; ++i) {
    const double near = 0.25 + i * 1e-5;
    ASSERT_LT(RelativeError(Log2(near), log2l(near)), kBound) << near;
    const double far = std::ldexp(near, i % 2000 - 1000);
    ASSERT_LT(RelativeError(Log2(far), log2l(far)), kBound) << far;
  }
}

TEST(Math, PowIsCloseToTheLibrarys) {
  for (int i = 1; i <= 20000; ++i) {
    const double x = std::ldexp(1.0 + i / 20000.0, i % 32 - 16);
    for (double y : {0.45, 1 / 2.4, 2.4, -1.5, 5.0})
      ASSERT_LT(RelativeError(Pow(x, y), powl(x, y)), kBound) << x << " " << y;
  }
}

TEST(Math, SinAndCosAreCloseToTheLibrarys) {
  for (int i = -100000; i <= 100000; ++i) {
    const double x = i * 9.9871;
    ASSERT_NEAR(Sin(x), std::sin(x), kBound) << x;
    ASSERT_NEAR(Cos(x), std::cos(x), kBound) << x;
  }
}

TEST(Math, Atan2IsCloseToTheLibrarysInEveryDirection) {
  for (int i = 0; i < 100000; ++i) {
    const double angle = i * 6.2831853e-5, length = std::ldexp(1.0, i % 40 - 20);
    const double y = length * std::sin(angle), x = length * std::cos(angle);
    ASSERT_LT(RelativeError(Atan2(y, x), atan2l(y, x)), kBound) << y << " " << x;
  }
}

TEST(Math, WholePowersOfTwoAreExact) {
  for (int n = -1022; n < 1024; ++n) {
    ASSERT_EQ(Exp2(static_cast<double>(n)), std::ldexp(1.0, n));
    ASSERT_EQ(Log2(std::ldexp(1.0, n)), n);
  }
}

TEST(Math, EndsOfTheRangeAreLimits) {
  EXPECT_EQ(Exp2(-HUGE_VAL), 0);
  EXPECT_EQ(Exp2(HUGE_VAL), HUGE_VAL);
  EXPECT_EQ(Log2(0.0), -HUGE_VAL);
  EXPECT_EQ(Log2(HUGE_VAL), HUGE_VAL);
  EXPECT_EQ(Log2(5e-324), -1074);
  EXPECT_EQ(Pow(0.0, 2.0), 0);
  EXPECT_EQ(Pow(0.0, 0.0), 1);
  EXPECT_EQ(Pow(0.0, -1.0), HUGE_VAL);
  EXPECT_EQ(Atan2(0.0, 0.0), 0);
  EXPECT_TRUE(std::isnan(Log2(-1.0)));
}

TEST(Math, NotANumberStaysNotANumber) {
  const double nan = std::nan("");
  for (double v : {Exp2(nan), Log2(nan), Pow(nan, 2.0), Sin(nan), Cos(nan), Atan2(nan, 1.0), Atan2(1.0, nan)}) {
    EXPECT_TRUE(std::isnan(v));
  }
}

TEST(Math, PowerOneGivesEveryFloatBack) {
  for (uint32_t bits = 0x00800000; bits < 0x7F800000; bits += 9973) {
    const float x = std::bit_cast<float>(bits);
    ASSERT_EQ(Pow(x, 1.0f), x);
  }
}

}  // namespace
}  // namespace selvage::worker
