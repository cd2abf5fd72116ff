// Vectors of exactly eight floats and the 8x8 DCT on them, for one SIMD target
// at a time (included again for each by hwy/foreach_target.h).
//
// Eight lanes on every target, whatever the width of its registers: a sum over
// lanes is then the same sum everywhere (promise 2).
#if defined(SELVAGE_KERNELS_DCT_INL_H_) == defined(HWY_TARGET_TOGGLE)
#ifdef SELVAGE_KERNELS_DCT_INL_H_
#undef SELVAGE_KERNELS_DCT_INL_H_
#else
#define SELVAGE_KERNELS_DCT_INL_H_
#endif

#include <cmath>
#include <cstddef>
#include <utility>

#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::patches {
namespace HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET == HWY_SCALAR
// No vectors at all.
struct F8 {
  float v[8];
};
#define SELVAGE_F8_EACH(expression)                    \
  F8 out;                                              \
  for (int i = 0; i < 8; ++i) out.v[i] = (expression); \
  return out
HWY_INLINE F8 operator+(const F8& x, const F8& y) { SELVAGE_F8_EACH(x.v[i] + y.v[i]); }
HWY_INLINE F8 operator-(const F8& x, const F8& y) { SELVAGE_F8_EACH(x.v[i] - y.v[i]); }
HWY_INLINE F8 operator*(const F8& x, const F8& y) { SELVAGE_F8_EACH(x.v[i] * y.v[i]); }
HWY_INLINE F8 operator/(const F8& x, const F8& y) { SELVAGE_F8_EACH(x.v[i] / y.v[i]); }
HWY_INLINE F8 Root(const F8& x) { SELVAGE_F8_EACH(std::sqrt(x.v[i])); }
HWY_INLINE F8 Largest(const F8& x, const F8& y) { SELVAGE_F8_EACH(x.v[i] > y.v[i] ? x.v[i] : y.v[i]); }
HWY_INLINE F8 Smallest(const F8& x, const F8& y) { SELVAGE_F8_EACH(x.v[i] < y.v[i] ? x.v[i] : y.v[i]); }
// `x` where left > right, else 0.
HWY_INLINE F8 WhereGreater(const F8& left, const F8& right, const F8& x) {
  SELVAGE_F8_EACH(left.v[i] > right.v[i] ? x.v[i] : 0.0f);
}
// `yes` where left < right, else `no`.
HWY_INLINE F8 SelectLess(const F8& left, const F8& right, const F8& yes, const F8& no) {
  SELVAGE_F8_EACH(left.v[i] < right.v[i] ? yes.v[i] : no.v[i]);
}
HWY_INLINE F8 All(float x) { SELVAGE_F8_EACH(x); }
HWY_INLINE F8 Load8(const float* p) { SELVAGE_F8_EACH(p[i]); }
HWY_INLINE void Store8(const F8& x, float* p) {
  for (int i = 0; i < 8; ++i) p[i] = x.v[i];
}
#else
using D8 = hn::CappedTag<float, 8>;
using V8 = hn::Vec<D8>;

#if HWY_MAX_BYTES >= 32
struct F8 {
  V8 a;
};
#define SELVAGE_F8_EACH(expr_a, expr_b) \
  F8 { expr_a }
#else
struct F8 {
  V8 a, b;
};
#define SELVAGE_F8_EACH(expr_a, expr_b) \
  F8 { expr_a, expr_b }
#endif

HWY_INLINE F8 operator+(F8 x, F8 y) { return SELVAGE_F8_EACH(hn::Add(x.a, y.a), hn::Add(x.b, y.b)); }
HWY_INLINE F8 operator-(F8 x, F8 y) { return SELVAGE_F8_EACH(hn::Sub(x.a, y.a), hn::Sub(x.b, y.b)); }
HWY_INLINE F8 operator*(F8 x, F8 y) { return SELVAGE_F8_EACH(hn::Mul(x.a, y.a), hn::Mul(x.b, y.b)); }
HWY_INLINE F8 operator/(F8 x, F8 y) { return SELVAGE_F8_EACH(hn::Div(x.a, y.a), hn::Div(x.b, y.b)); }
HWY_INLINE F8 Root(F8 x) { return SELVAGE_F8_EACH(hn::Sqrt(x.a), hn::Sqrt(x.b)); }
HWY_INLINE F8 Largest(F8 x, F8 y) { return SELVAGE_F8_EACH(hn::Max(x.a, y.a), hn::Max(x.b, y.b)); }
HWY_INLINE F8 Smallest(F8 x, F8 y) { return SELVAGE_F8_EACH(hn::Min(x.a, y.a), hn::Min(x.b, y.b)); }
HWY_INLINE F8 WhereGreater(F8 left, F8 right, F8 x) {
  return SELVAGE_F8_EACH(hn::IfThenElseZero(hn::Gt(left.a, right.a), x.a),
                         hn::IfThenElseZero(hn::Gt(left.b, right.b), x.b));
}
HWY_INLINE F8 SelectLess(F8 left, F8 right, F8 yes, F8 no) {
  return SELVAGE_F8_EACH(hn::IfThenElse(hn::Lt(left.a, right.a), yes.a, no.a),
                         hn::IfThenElse(hn::Lt(left.b, right.b), yes.b, no.b));
}
HWY_INLINE F8 All(float x) { return SELVAGE_F8_EACH(hn::Set(D8(), x), hn::Set(D8(), x)); }
HWY_INLINE F8 Load8(const float* p) { return SELVAGE_F8_EACH(hn::LoadU(D8(), p), hn::LoadU(D8(), p + 4)); }
HWY_INLINE void Store8(F8 x, float* p) {
  hn::StoreU(x.a, D8(), p);
#if HWY_MAX_BYTES < 32
  hn::StoreU(x.b, D8(), p + 4);
#endif
}
#endif
#undef SELVAGE_F8_EACH

// Sum of the lanes as a tree of fixed shape.
HWY_INLINE float SumLanes(F8 x) {
  HWY_ALIGN float l[8];
  Store8(x, l);
  return ((l[0] + l[4]) + (l[2] + l[6])) + ((l[1] + l[5]) + (l[3] + l[7]));
}

// Eight rows of eight.
struct Block {
  F8 r0, r1, r2, r3, r4, r5, r6, r7;
};

#if HWY_TARGET == HWY_SCALAR
HWY_INLINE void Transpose(Block& m) {
  F8* const rows[8] = {&m.r0, &m.r1, &m.r2, &m.r3, &m.r4, &m.r5, &m.r6, &m.r7};
  for (int i = 0; i < 8; ++i) {
    for (int j = 0; j < i; ++j) std::swap(rows[i]->v[j], rows[j]->v[i]);
  }
}
#elif HWY_MAX_BYTES >= 32
HWY_INLINE void Transpose(Block& m) {
  const D8 d;
  const hn::Repartition<double, D8> dd;
  const V8 a0 = hn::InterleaveLower(d, m.r0.a, m.r1.a), a1 = hn::InterleaveUpper(d, m.r0.a, m.r1.a);
  const V8 a2 = hn::InterleaveLower(d, m.r2.a, m.r3.a), a3 = hn::InterleaveUpper(d, m.r2.a, m.r3.a);
  const V8 a4 = hn::InterleaveLower(d, m.r4.a, m.r5.a), a5 = hn::InterleaveUpper(d, m.r4.a, m.r5.a);
  const V8 a6 = hn::InterleaveLower(d, m.r6.a, m.r7.a), a7 = hn::InterleaveUpper(d, m.r6.a, m.r7.a);
#define SELVAGE_PAIR(which, x, y) hn::BitCast(d, hn::Interleave##which(dd, hn::BitCast(dd, x), hn::BitCast(dd, y)))
  const V8 b0 = SELVAGE_PAIR(Lower, a0, a2), b1 = SELVAGE_PAIR(Upper, a0, a2);
  const V8 b2 = SELVAGE_PAIR(Lower, a1, a3), b3 = SELVAGE_PAIR(Upper, a1, a3);
  const V8 b4 = SELVAGE_PAIR(Lower, a4, a6), b5 = SELVAGE_PAIR(Upper, a4, a6);
  const V8 b6 = SELVAGE_PAIR(Lower, a5, a7), b7 = SELVAGE_PAIR(Upper, a5, a7);
#undef SELVAGE_PAIR
  m.r0.a = hn::ConcatLowerLower(d, b4, b0);
  m.r1.a = hn::ConcatLowerLower(d, b5, b1);
  m.r2.a = hn::ConcatLowerLower(d, b6, b2);
  m.r3.a = hn::ConcatLowerLower(d, b7, b3);
  m.r4.a = hn::ConcatUpperUpper(d, b4, b0);
  m.r5.a = hn::ConcatUpperUpper(d, b5, b1);
  m.r6.a = hn::ConcatUpperUpper(d, b6, b2);
  m.r7.a = hn::ConcatUpperUpper(d, b7, b3);
}
#else
HWY_INLINE void Transpose4(V8& x0, V8& x1, V8& x2, V8& x3) {
  const D8 d;
  const V8 a = hn::InterleaveLower(d, x0, x2), b = hn::InterleaveUpper(d, x0, x2);
  const V8 c = hn::InterleaveLower(d, x1, x3), e = hn::InterleaveUpper(d, x1, x3);
  x0 = hn::InterleaveLower(d, a, c);
  x1 = hn::InterleaveUpper(d, a, c);
  x2 = hn::InterleaveLower(d, b, e);
  x3 = hn::InterleaveUpper(d, b, e);
}
HWY_INLINE void Swap(V8& x, V8& y) {
  const V8 t = x;
  x = y;
  y = t;
}
HWY_INLINE void Transpose(Block& m) {
  Transpose4(m.r0.a, m.r1.a, m.r2.a, m.r3.a);
  Transpose4(m.r0.b, m.r1.b, m.r2.b, m.r3.b);
  Transpose4(m.r4.a, m.r5.a, m.r6.a, m.r7.a);
  Transpose4(m.r4.b, m.r5.b, m.r6.b, m.r7.b);
  Swap(m.r0.b, m.r4.a);
  Swap(m.r1.b, m.r5.a);
  Swap(m.r2.b, m.r6.a);
  Swap(m.r3.b, m.r7.a);
}
#endif

// One-dimensional transforms down the columns, sqrt(8) times orthonormal.
// Source: Loeffler, Ligtenberg & Moschytz 1989, with the rotations of the odd
// half written as nine products; numbers are sqrt(2) times sums of cos(k pi/16).
struct Odd {
  F8 t0, t1, t2, t3;
};
HWY_INLINE Odd OddHalf(F8 t0, F8 t1, F8 t2, F8 t3) {
  const F8 both = ((t0 + t2) + (t1 + t3)) * All(1.175875602f);
  const F8 z1 = (t0 + t3) * All(-0.899976223f);
  const F8 z2 = (t1 + t2) * All(-2.562915447f);
  const F8 z3 = (t0 + t2) * All(-1.961570560f) + both;
  const F8 z4 = (t1 + t3) * All(-0.390180644f) + both;
  return {t0 * All(0.298631336f) + (z1 + z3), t1 * All(2.053119869f) + (z2 + z4), t2 * All(3.072711026f) + (z2 + z3),
          t3 * All(1.501321110f) + (z1 + z4)};
}

HWY_INLINE void DctColumns(Block& m) {
  const F8 s0 = m.r0 + m.r7, s1 = m.r1 + m.r6, s2 = m.r2 + m.r5, s3 = m.r3 + m.r4;
  const Odd odd = OddHalf(m.r3 - m.r4, m.r2 - m.r5, m.r1 - m.r6, m.r0 - m.r7);
  const F8 e0 = s0 + s3, e3 = s0 - s3, e1 = s1 + s2, e2 = s1 - s2;
  const F8 z = (e2 + e3) * All(0.541196100f);
  m.r0 = e0 + e1;
  m.r4 = e0 - e1;
  m.r2 = z + e3 * All(0.765366865f);
  m.r6 = z - e2 * All(1.847759065f);
  m.r7 = odd.t0;
  m.r5 = odd.t1;
  m.r3 = odd.t2;
  m.r1 = odd.t3;
}

HWY_INLINE void InverseDctColumns(Block& m) {
  const Odd odd = OddHalf(m.r7, m.r5, m.r3, m.r1);
  const F8 z = (m.r2 + m.r6) * All(0.541196100f);
  const F8 e2 = z - m.r6 * All(1.847759065f);
  const F8 e3 = z + m.r2 * All(0.765366865f);
  const F8 sum = m.r0 + m.r4, difference = m.r0 - m.r4;
  const F8 f0 = sum + e3, f3 = sum - e3, f1 = difference + e2, f2 = difference - e2;
  m.r0 = f0 + odd.t3;
  m.r7 = f0 - odd.t3;
  m.r1 = f1 + odd.t2;
  m.r6 = f1 - odd.t2;
  m.r2 = f2 + odd.t1;
  m.r5 = f2 - odd.t1;
  m.r3 = f3 + odd.t0;
  m.r4 = f3 - odd.t0;
}

// 8 times the orthonormal 8x8 DCT, transposed: row = horizontal frequency. The
// factor is a power of two and the order does not matter to a filter that works
// coefficient by coefficient, so neither costs anything to put right.
HWY_INLINE void Dct(Block& m) {
  DctColumns(m);
  Transpose(m);
  DctColumns(m);
}
// Undoes Dct, times 64.
HWY_INLINE void InverseDct(Block& m) {
  InverseDctColumns(m);
  Transpose(m);
  InverseDctColumns(m);
}

HWY_INLINE void LoadBlock(const float* p, ptrdiff_t stride, Block& m) {
  m.r0 = Load8(p);
  m.r1 = Load8(p + stride);
  m.r2 = Load8(p + 2 * stride);
  m.r3 = Load8(p + 3 * stride);
  m.r4 = Load8(p + 4 * stride);
  m.r5 = Load8(p + 5 * stride);
  m.r6 = Load8(p + 6 * stride);
  m.r7 = Load8(p + 7 * stride);
}
HWY_INLINE void StoreBlock(const Block& m, float* p) {
  Store8(m.r0, p);
  Store8(m.r1, p + 8);
  Store8(m.r2, p + 16);
  Store8(m.r3, p + 24);
  Store8(m.r4, p + 32);
  Store8(m.r5, p + 40);
  Store8(m.r6, p + 48);
  Store8(m.r7, p + 56);
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker::patches
HWY_AFTER_NAMESPACE();

#endif
