// Row kernels of the pointwise matte and composite operators: n samples, outputs
// may be inputs. Compiled for every SIMD target, the same bits on each: plain
// loops of IEEE operations and selections, one pixel independent of the next.
#pragma once

#include <cstddef>

#include "worker/picture/image.h"

namespace selvage::worker {

struct LevelsCurve {
  float black = 0, white = 1;
  // 1 / gamma; 1 leaves the power out.
  double exponent = 1;
  bool invert = false;
  bool clamp = true;
};
void LevelsRow(const LevelsCurve& curve, const float* in, float* out, size_t n);

// a b, and a (1 - b).
void MultiplyRow(const float* a, const float* b, float* out, size_t n);
void MultiplyInverseRow(const float* a, const float* b, float* out, size_t n);

enum class MatteRule { kMax, kMin, kAdd, kSubtract, kMultiply, kUnion, kMix };
// By the rule (kMix: b), clamped to 0..1; then `amount` of that and the rest of a. Exactly
// the combined value at amount 1, exactly a at 0.
void CombineRow(MatteRule rule, float amount, const float* a, const float* b, float* out, size_t n);

// a + t (b - a); exactly a where t <= 0 and exactly b where t >= 1, whatever the
// other one is.
void MixRow(const float* a, const float* b, const float* t, float* out, size_t n);

// color x alpha; with keep_light color where alpha = 0.
void PremultiplyRow(bool keep_light, const float* color, const float* alpha, float* out, size_t n);
// color / alpha; color where alpha = 0.
void UnpremultiplyRow(const float* color, const float* alpha, float* out, size_t n);

// Porter & Duff 1984: out = F_A A + F_B B with the fractions of the rule, where
// A and its alpha are multiplied by `amount` first.
enum class PorterDuff { kOver, kIn, kOut, kAtop, kXor, kPlus };
void PorterDuffRow(PorterDuff rule, float amount, const float* a, const float* a_alpha, const float* b,
                   const float* b_alpha, float* out, size_t n);

// Calls row(y) for each row of a rectangle.
template <class Row>
void ForRows(const Rect& rect, const Row& row) {
  for (int y = rect.y0; y < rect.y1; ++y) row(y);
}

}  // namespace selvage::worker
