// Row kernels of the colour operators: compiled for every SIMD target, the same
// bits on each. `in` and `out` may be the same.
#pragma once

#include <cstddef>
#include <vector>

namespace selvage::worker {

// (x gain + lift (1 - x gain)) exposure. A lift of 0 leaves its term out, so
// that infinity stays infinity.
void GradeRow(float gain, float lift, float exposure, const float* in, float* out, size_t count);
void AddRow(float offset, const float* in, float* out, size_t count);

// Rotation about the grey axis (1, 1, 1) (Rodrigues' formula): an orthogonal
// matrix with rows summing to 1, in the form that keeps greys to the bit,
// r + toward_next (g - r) + toward_last (b - r) and round the circle.
struct HueTurn {
  float toward_next = 0, toward_last = 0;
  // Whole turns give exactly none.
  static HueTurn By(double degrees);
  bool none() const { return toward_next == 0 && toward_last == 0; }
};
void RotateRow(const HueTurn& turn, const float* const in[3], float* const out[3], size_t count);

// Luminance of linear light, ITU-R BT.709-6.
inline constexpr float kLuminance[3] = {0.2126f, 0.7152f, 0.0722f};
// weights[0] r + weights[1] g + weights[2] b.
void WeighRow(const float weights[3], const float* const in[3], float* out, size_t count);

// Y + amount (C - Y) in the form that keeps greys, and all at amount 1, to the
// bit; at amount 0 exactly Y.
void SaturateRow(float amount, const float* const in[3], float* const out[3], size_t count);

// A piecewise cubic: y = y0 + t (m + t (c2 + t c3)), t = x - x0, from each x0 to
// the next; straight with slope m0 before the first and after the last.
struct CurveSegment {
  double x0, y0, m, c2, c3;
};
// REQUIRES: ascending x0. The last segment is the straight end (c2 = c3 = 0);
// infinity counts as the largest float.
void CurveRow(const std::vector<CurveSegment>& segments, const float* in, float* out, size_t count);

}  // namespace selvage::worker
