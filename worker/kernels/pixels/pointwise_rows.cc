#include "worker/kernels/pixels/pointwise_rows.h"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/pointwise_rows.cc"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"
#include "worker/kernels/pixels/math.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker {
namespace HWY_NAMESPACE {

// Keeps NaN: storage turns it to 0, wherever it came from.
HWY_INLINE float Clamp01(float x) {
  x = x < 0.0f ? 0.0f : x;
  return x > 1.0f ? 1.0f : x;
}

// Loops of one kind each, so that the compiler sees straight-line bodies. `out`
// may equal an input: each pixel is read before it is written.
#define SELVAGE_LOOP _Pragma("GCC ivdep") for (size_t i = 0; i < n; ++i)

void Levels(const LevelsCurve& curve, const float* in, float* out, size_t n) {
  const float black = curve.black, range = curve.white - curve.black;
  if (range <= 0.0f) {
    SELVAGE_LOOP out[i] = in[i] >= black ? 1.0f : 0.0f;
  } else {
    SELVAGE_LOOP out[i] = (in[i] - black) / range;
    if (curve.exponent != 1.0) {
      const double exponent = curve.exponent;
      SELVAGE_LOOP {
        const float x = out[i];
        const float raised = static_cast<float>(Pow(static_cast<double>(x), exponent));
        out[i] = x > 0.0f ? raised : x;
      }
    }
  }
  if (curve.invert) {
    SELVAGE_LOOP out[i] = 1.0f - out[i];
  }
  if (curve.clamp) {
    SELVAGE_LOOP out[i] = Clamp01(out[i]);
  }
}

void Multiply(const float* a, const float* b, float* out, size_t n) { SELVAGE_LOOP out[i] = a[i] * b[i]; }

void MultiplyInverse(const float* a, const float* b, float* out, size_t n) {
  SELVAGE_LOOP out[i] = a[i] * (1.0f - b[i]);
}

template <class Rule>
HWY_INLINE void CombineBy(const Rule& rule, float amount, const float* a, const float* b, float* out, size_t n) {
  if (amount == 1.0f) {
    SELVAGE_LOOP out[i] = Clamp01(rule(a[i], b[i]));
  } else {
    SELVAGE_LOOP out[i] = a[i] + amount * (Clamp01(rule(a[i], b[i])) - a[i]);
  }
}

void Combine(MatteRule rule, float amount, const float* a, const float* b, float* out, size_t n) {
  switch (rule) {
    case MatteRule::kMax:
      return CombineBy([](float x, float y) { return x > y ? x : y; }, amount, a, b, out, n);
    case MatteRule::kMin:
      return CombineBy([](float x, float y) { return x < y ? x : y; }, amount, a, b, out, n);
    case MatteRule::kAdd:
      return CombineBy([](float x, float y) { return x + y; }, amount, a, b, out, n);
    case MatteRule::kSubtract:
      return CombineBy([](float x, float y) { return x - y; }, amount, a, b, out, n);
    case MatteRule::kMultiply:
      return CombineBy([](float x, float y) { return x * y; }, amount, a, b, out, n);
    case MatteRule::kUnion:
      return CombineBy([](float x, float y) { return 1.0f - (1.0f - x) * (1.0f - y); }, amount, a, b, out, n);
    case MatteRule::kMix:
      return CombineBy([](float, float y) { return y; }, amount, a, b, out, n);
  }
}

void Mix(const float* a, const float* b, const float* t, float* out, size_t n) {
  SELVAGE_LOOP {
    const float x = a[i], y = b[i], share = t[i];
    const float mixed = x + share * (y - x);
    const float low = share > 0.0f ? mixed : x;
    out[i] = share >= 1.0f ? y : low;
  }
}

void Premultiply(bool keep_light, const float* color, const float* alpha, float* out, size_t n) {
  if (keep_light) {
    SELVAGE_LOOP {
      const float product = color[i] * alpha[i];
      out[i] = alpha[i] == 0.0f ? color[i] : product;
    }
  } else {
    SELVAGE_LOOP out[i] = color[i] * alpha[i];
  }
}

void Unpremultiply(const float* color, const float* alpha, float* out, size_t n) {
  SELVAGE_LOOP {
    const float quotient = color[i] / alpha[i];
    out[i] = alpha[i] == 0.0f ? color[i] : quotient;
  }
}

void PorterDuffRule(PorterDuff rule, float amount, const float* a, const float* a_alpha, const float* b,
                    const float* b_alpha, float* out, size_t n) {
  switch (rule) {
    case PorterDuff::kOver:
      SELVAGE_LOOP out[i] = amount * a[i] + b[i] * (1.0f - amount * a_alpha[i]);
      return;
    case PorterDuff::kIn:
      SELVAGE_LOOP out[i] = amount * a[i] * b_alpha[i];
      return;
    case PorterDuff::kOut:
      SELVAGE_LOOP out[i] = amount * a[i] * (1.0f - b_alpha[i]);
      return;
    case PorterDuff::kAtop:
      SELVAGE_LOOP out[i] = amount * a[i] * b_alpha[i] + b[i] * (1.0f - amount * a_alpha[i]);
      return;
    case PorterDuff::kXor:
      SELVAGE_LOOP out[i] = amount * a[i] * (1.0f - b_alpha[i]) + b[i] * (1.0f - amount * a_alpha[i]);
      return;
    case PorterDuff::kPlus:
      SELVAGE_LOOP out[i] = amount * a[i] + b[i];
      return;
  }
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker
HWY_AFTER_NAMESPACE();
#undef SELVAGE_LOOP

#if HWY_ONCE
namespace selvage::worker {
HWY_EXPORT(Levels);
HWY_EXPORT(Multiply);
HWY_EXPORT(MultiplyInverse);
HWY_EXPORT(Combine);
HWY_EXPORT(Mix);
HWY_EXPORT(Premultiply);
HWY_EXPORT(Unpremultiply);
HWY_EXPORT(PorterDuffRule);

void LevelsRow(const LevelsCurve& curve, const float* in, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(Levels)(curve, in, out, n);
}
void MultiplyRow(const float* a, const float* b, float* out, size_t n) { HWY_DYNAMIC_DISPATCH(Multiply)(a, b, out, n); }
void MultiplyInverseRow(const float* a, const float* b, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(MultiplyInverse)(a, b, out, n);
}
void CombineRow(MatteRule rule, float amount, const float* a, const float* b, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(Combine)(rule, amount, a, b, out, n);
}
void MixRow(const float* a, const float* b, const float* t, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(Mix)(a, b, t, out, n);
}
void PremultiplyRow(bool keep_light, const float* color, const float* alpha, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(Premultiply)(keep_light, color, alpha, out, n);
}
void UnpremultiplyRow(const float* color, const float* alpha, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(Unpremultiply)(color, alpha, out, n);
}
void PorterDuffRow(PorterDuff rule, float amount, const float* a, const float* a_alpha, const float* b,
                   const float* b_alpha, float* out, size_t n) {
  HWY_DYNAMIC_DISPATCH(PorterDuffRule)(rule, amount, a, a_alpha, b, b_alpha, out, n);
}

}  // namespace selvage::worker
#endif
