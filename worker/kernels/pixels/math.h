// Transcendental functions that give the same bits on every machine and SIMD
// target: additions, multiplications, divisions and selections in binary64, no
// library calls, no fused operations. Branch-free, so loops over them vectorise.
//
// Relative error at most 1e-13 (checked in tests/ops/math_test.cc), so that the
// float versions are correctly rounded but for near ties. NaN in, NaN out.
#pragma once

#include <bit>
#include <cstdint>
#include <limits>

namespace selvage::worker {

namespace math_detail {

// Adding 1.5 * 2^52 leaves no bits for a fraction: the sum is rounded to a whole
// number, which then stands in the lowest bits of the mantissa.
constexpr double kRoundMagic = 6755399441055744.0;

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();

inline uint64_t Bits(double x) { return std::bit_cast<uint64_t>(x); }
inline double FromBits(uint64_t b) { return std::bit_cast<double>(b); }

}  // namespace math_detail

// 2^x; 0 below -1022, infinity from 1024.
inline double Exp2(double x) {
  using namespace math_detail;
  double clamped = x < -1022.0 ? -1022.0 : x;
  clamped = clamped > 1024.0 ? 1024.0 : clamped;
  const double shifted = clamped + kRoundMagic;
  const double f = (clamped - (shifted - kRoundMagic)) * 0.69314718055994530942;
  // Taylor series of e^f: |f| <= 0.3466, the first term left out is 8e-16.
  double p = 1.0 / 479001600;
  p = p * f + 1.0 / 39916800;
  p = p * f + 1.0 / 3628800;
  p = p * f + 1.0 / 362880;
  p = p * f + 1.0 / 40320;
  p = p * f + 1.0 / 5040;
  p = p * f + 1.0 / 720;
  p = p * f + 1.0 / 120;
  p = p * f + 1.0 / 24;
  p = p * f + 1.0 / 6;
  p = p * f + 0.5;
  p = p * f + 1.0;
  p = p * f + 1.0;
  // 2^(n-1) then twice that, since n may be 1024; below 1 the other way round,
  // since n may be -1022. The exponent field of 2^m is m + 1023.
  const bool below = clamped < 0.0;
  const double scale = FromBits((Bits(shifted) + (below ? 1024 : 1022)) << 52);
  double result = p * scale * (below ? 0.5 : 2.0);
  result = x < -1022.0 ? 0.0 : result;
  return x >= 1024.0 ? kInfinity : result;
}

// Logarithm to base 2; -infinity at 0, NaN below.
inline double Log2(double x) {
  using namespace math_detail;
  // Subnormals are lifted into the normal range first.
  const bool tiny = x < 2.2250738585072014e-308;
  const double lifted = tiny ? x * 18014398509481984.0 : x;  // 2^54
  const uint64_t bits = Bits(lifted);
  // x = m 2^n with m in [sqrt(1/2), sqrt(2)); n + 1024 stays positive, so that
  // logical shifts do (there is no arithmetic one of 64 bits before AVX-512).
  const uint64_t biased = (bits - 0x3FE6A09E667F3BCDull + (1024ull << 52)) >> 52;
  const double m = FromBits(bits - ((biased - 1024) << 52));
  const double n = FromBits(biased | 0x4330000000000000ull) - (4503599627370496.0 + 1024.0) - (tiny ? 54.0 : 0.0);
  // log m = 2 artanh((m - 1) / (m + 1)), |s| <= 0.1716, next term 3e-16 of s.
  const double s = (m - 1.0) / (m + 1.0);
  const double s2 = s * s;
  double p = 1.0 / 19;
  p = p * s2 + 1.0 / 17;
  p = p * s2 + 1.0 / 15;
  p = p * s2 + 1.0 / 13;
  p = p * s2 + 1.0 / 11;
  p = p * s2 + 1.0 / 9;
  p = p * s2 + 1.0 / 7;
  p = p * s2 + 1.0 / 5;
  p = p * s2 + 1.0 / 3;
  p = p * s2 + 1.0;
  double result = n + p * s * 2.8853900817779268147;  // 2 / ln 2
  result = x == 0.0 ? -kInfinity : result;
  result = x < 0.0 ? kNaN : result;
  result = x == kInfinity ? kInfinity : result;
  return x != x ? x : result;
}

inline double Exp(double x) { return Exp2(x * 1.4426950408889634074); }
inline double Log(double x) { return Log2(x) * 0.69314718055994530942; }

// x^y for x >= 0; NaN for negative x, whatever y. 0^0 = 1. The relative error
// grows with |y log2 x|: below 1e-13 up to 2^128.
inline double Pow(double x, double y) {
  const double result = Exp2(y * Log2(x));
  return y == 0.0 ? 1.0 : result;
}

namespace math_detail {

// sin(r), cos(r) for |r| <= pi/4, Taylor to below 1e-16.
inline double SinCore(double r) {
  const double r2 = r * r;
  double p = -1.0 / 1307674368000;
  p = p * r2 + 1.0 / 6227020800;
  p = p * r2 - 1.0 / 39916800;
  p = p * r2 + 1.0 / 362880;
  p = p * r2 - 1.0 / 5040;
  p = p * r2 + 1.0 / 120;
  p = p * r2 - 1.0 / 6;
  return r + r * r2 * p;
}
inline double CosCore(double r) {
  const double r2 = r * r;
  double p = 1.0 / 20922789888000;
  p = p * r2 - 1.0 / 87178291200;
  p = p * r2 + 1.0 / 479001600;
  p = p * r2 - 1.0 / 3628800;
  p = p * r2 + 1.0 / 40320;
  p = p * r2 - 1.0 / 720;
  p = p * r2 + 1.0 / 24;
  p = p * r2 - 0.5;
  return 1.0 + r2 * p;
}

// Sine of x plus `quarters` right angles. Pi/2 is taken away in two parts
// (Cody & Waite): the first has 33 bits, so that its product with n is exact.
inline double SinQuarters(double x, uint64_t quarters) {
  const double shifted = x * 0.63661977236758134308 + kRoundMagic;
  const double n = shifted - kRoundMagic;
  const double r = (x - n * 1.57079632673412561417) - n * 6.07710050650619224932e-11;
  const uint64_t quadrant = Bits(shifted) + quarters;
  const double value = (quadrant & 1) != 0 ? CosCore(r) : SinCore(r);
  return (quadrant & 2) != 0 ? -value : value;
}

}  // namespace math_detail

// Radians, |x| up to 1e6 (absolute error 1e-13; beyond that it grows with x).
inline double Sin(double x) { return math_detail::SinQuarters(x, 0); }
inline double Cos(double x) { return math_detail::SinQuarters(x, 1); }

// Angle of the point (x, y), -pi..pi; Atan2(0, 0) = 0.
inline double Atan2(double y, double x) {
  const double ax = x < 0.0 ? -x : x;
  const double ay = y < 0.0 ? -y : y;
  const double low = ax < ay ? ax : ay;
  const double high = ax < ay ? ay : ax;
  const double t = high > 0.0 ? low / high : low;
  // Above tan(pi/8): atan t = pi/4 + atan((t - 1) / (t + 1)).
  const bool turned = t > 0.41421356237309504880;
  const double z = turned ? (t - 1.0) / (t + 1.0) : t;
  const double z2 = z * z;
  // |z| <= 0.4143: the first term left out is 2e-14 of z.
  double p = -1.0 / 31;
  p = p * z2 + 1.0 / 29;
  p = p * z2 - 1.0 / 27;
  p = p * z2 + 1.0 / 25;
  p = p * z2 - 1.0 / 23;
  p = p * z2 + 1.0 / 21;
  p = p * z2 - 1.0 / 19;
  p = p * z2 + 1.0 / 17;
  p = p * z2 - 1.0 / 15;
  p = p * z2 + 1.0 / 13;
  p = p * z2 - 1.0 / 11;
  p = p * z2 + 1.0 / 9;
  p = p * z2 - 1.0 / 7;
  p = p * z2 + 1.0 / 5;
  p = p * z2 - 1.0 / 3;
  double angle = z + z * z2 * p;
  angle = turned ? angle + 0.78539816339744830962 : angle;
  angle = ax < ay ? 1.57079632679489661923 - angle : angle;
  angle = x < 0.0 ? 3.14159265358979323846 - angle : angle;
  angle = y < 0.0 ? -angle : angle;
  return x != x ? x : y != y ? y : angle;
}

// The same for floats.
inline float Exp2(float x) { return static_cast<float>(Exp2(static_cast<double>(x))); }
inline float Log2(float x) { return static_cast<float>(Log2(static_cast<double>(x))); }
inline float Exp(float x) { return static_cast<float>(Exp(static_cast<double>(x))); }
inline float Log(float x) { return static_cast<float>(Log(static_cast<double>(x))); }
inline float Pow(float x, float y) { return static_cast<float>(Pow(static_cast<double>(x), static_cast<double>(y))); }
inline float Sin(float x) { return static_cast<float>(Sin(static_cast<double>(x))); }
inline float Cos(float x) { return static_cast<float>(Cos(static_cast<double>(x))); }
inline float Atan2(float y, float x) {
  return static_cast<float>(Atan2(static_cast<double>(y), static_cast<double>(x)));
}

}  // namespace selvage::worker
