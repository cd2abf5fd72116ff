// Symmetric 3 x 3 matrices, for colour statistics.
#pragma once

#include <array>

namespace selvage::worker {

using Vector3 = std::array<double, 3>;

inline double Dot(const Vector3& a, const Vector3& b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }

struct Symmetric3 {
  double xx = 0, xy = 0, xz = 0, yy = 0, yz = 0, zz = 0;

  // By cofactors. REQUIRES: positive definite.
  Symmetric3 Inverse() const {
    const double cx = yy * zz - yz * yz, cy = xz * yz - xy * zz, cz = xy * yz - xz * yy;
    const double scale = 1 / (xx * cx + xy * cy + xz * cz);
    return {cx * scale,
            cy * scale,
            cz * scale,
            (xx * zz - xz * xz) * scale,
            (xy * xz - xx * yz) * scale,
            (xx * yy - xy * xy) * scale};
  }
  Vector3 operator*(const Vector3& v) const {
    return {xx * v[0] + xy * v[1] + xz * v[2], xy * v[0] + yy * v[1] + yz * v[2], xz * v[0] + yz * v[1] + zz * v[2]};
  }
};

}  // namespace selvage::worker
