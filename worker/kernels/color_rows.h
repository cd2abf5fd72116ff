// Row kernels of the colour operators: compiled for every SIMD target, the same
// bits on each. `in` and `out` may be the same.
#pragma once

#include <cstddef>
#include <vector>

namespace selvage {

// (x gain + lift (1 - x gain)) exposure. A lift of 0 leaves its term out, so
// that infinity stays infinity.
void GradeRow(float gain, float lift, float exposure, const float* in, float* out, size_t count);
void AddRow(float offset, const float* in, float* out, size_t count);

// r + toward_g (g - r) + toward_b (b - r) and round the circle: an orthogonal
// matrix with rows summing to 1, in the form that keeps greys to the bit.
void RotateRow(float toward_next, float toward_last, const float* const in[3], float* const out[3], size_t count);

// A piecewise cubic: y = y0 + t (m + t (c2 + t c3)), t = x - x0, from each x0 to
// the next; straight with slope m0 before the first and after the last.
struct CurveSegment {
  double x0, y0, m, c2, c3;
};
// REQUIRES: ascending x0. The last segment is the straight end (c2 = c3 = 0);
// infinity counts as the largest float.
void CurveRow(const std::vector<CurveSegment>& segments, const float* in, float* out, size_t count);

}  // namespace selvage
