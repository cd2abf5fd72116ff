#include "worker/kernels/pixels/guided_filter.h"

#include <array>

#include "worker/kernels/pixels/box_sums.h"
#include "worker/kernels/pixels/symmetric3.h"

namespace selvage::worker {

bool GuidedFilter(const std::vector<Plane>& guide, const Plane& matte, int radius, double epsilon,
                  const std::function<bool()>& stopped, Plane* out) {
  const Rect& rect = matte.rect();
  const int width = rect.width();
  // a.I + b of each window.
  Plane slope[3] = {Plane(rect), Plane(rect), Plane(rect)}, offset(rect);

  // R G B, their products, the matte, its products with them.
  constexpr size_t kMoments = 13;
  const auto moments = [&](int y, std::array<double, kMoments>* row) {
    const float *r = guide[0].row(y), *g = guide[1].row(y), *b = guide[2].row(y), *p = matte.row(y);
    for (int x = 0; x < width; ++x) {
      const double red = r[x], green = g[x], blue = b[x], m = p[x];
      row[x] = {red,          green,       blue, red * red, red * green, red * blue, green * green,
                green * blue, blue * blue, m,    m * red,   m * green,   m * blue};
    }
  };
  const auto fit = [&](int y, const std::array<double, kMoments>* sums, const int* count) {
    for (int x = 0; x < width; ++x) {
      const auto& s = sums[x];
      const double n = 1.0 / count[x];
      const double r = s[0] * n, g = s[1] * n, b = s[2] * n, m = s[9] * n;
      const Symmetric3 spread{s[3] * n - r * r + epsilon, s[4] * n - r * g, s[5] * n - r * b,
                              s[6] * n - g * g + epsilon, s[7] * n - g * b, s[8] * n - b * b + epsilon};
      const Vector3 a = spread.Inverse() * Vector3{s[10] * n - m * r, s[11] * n - m * g, s[12] * n - m * b};
      for (int c = 0; c < 3; ++c) slope[c].row(y)[x] = static_cast<float>(a[c]);
      offset.row(y)[x] = static_cast<float>(m - Dot(a, {r, g, b}));
    }
    return !stopped();
  };
  if (!BoxSums<kMoments>(rect, radius, moments, fit)) return false;

  constexpr size_t kLine = 4;
  const auto lines = [&](int y, std::array<double, kLine>* row) {
    const float *r = slope[0].row(y), *g = slope[1].row(y), *b = slope[2].row(y), *o = offset.row(y);
    for (int x = 0; x < width; ++x) row[x] = {r[x], g[x], b[x], o[x]};
  };
  const auto apply = [&](int y, const std::array<double, kLine>* sums, const int* count) {
    const float *r = guide[0].row(y), *g = guide[1].row(y), *b = guide[2].row(y);
    float* to = out->row(y);
    for (int x = 0; x < width; ++x) {
      const auto& s = sums[x];
      to[x] = static_cast<float>((s[0] * r[x] + s[1] * g[x] + s[2] * b[x] + s[3]) / count[x]);
    }
    return !stopped();
  };
  return BoxSums<kLine>(rect, radius, lines, apply);
}

}  // namespace selvage::worker
