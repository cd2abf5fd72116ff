#include "worker/kernels/motion/matte_edge.h"

namespace selvage::worker {
namespace {

constexpr float kBottom = 0.004f, kTop = 0.996f;

// Weights of the four pixels round a quarter of the way on.
void CatmullRom(int quarters, float t[4]) {
  const float u = 0.25f * static_cast<float>(quarters), w = 1 - u;
  t[0] = -0.5f * u * w * w;
  t[1] = w * (1 + u - 1.5f * u * u);
  t[2] = u * (1 + w - 1.5f * w * w);
  t[3] = -0.5f * w * u * u;
}

}  // namespace

void EdgeRow(const Plane& matte, int y, uint8_t* edge) {
  const Rect& r = matte.rect();
  const int width = r.width();
  const float* rows[3];
  for (int k = 0; k < 3; ++k) rows[k] = matte.row(std::clamp(y + k - 1, r.y0, r.y1 - 1));
  for (int x = 0; x < width; ++x) {
    float least = rows[1][x], most = least;
    for (int i = std::max(x - 1, 0); i <= std::min(x + 1, width - 1); ++i) {
      for (const float* row : rows) {
        least = std::min(least, row[i]);
        most = std::max(most, row[i]);
      }
    }
    edge[x] = most > kBottom && least < kTop && least < most;
  }
}

float SampleAlong(const Plane& matte, int x, int y, const MotionVector& v) {
  const Rect& r = matte.rect();
  float tx[4], ty[4], sum = 0;
  CatmullRom(v.x & 3, tx);
  CatmullRom(v.y & 3, ty);
  for (int j = 0; j < 4; ++j) {
    const float* row = matte.row(std::clamp(y + (v.y >> 2) + j - 1, r.y0, r.y1 - 1));
    float across = 0;
    for (int i = 0; i < 4; ++i) {
      across += tx[i] * ClampedMatte(row[std::clamp(x + (v.x >> 2) + i - 1, r.x0, r.x1 - 1) - r.x0]);
    }
    sum += ty[j] * across;
  }
  return sum;
}

}  // namespace selvage::worker
