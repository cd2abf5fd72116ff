#include "tests/scene/layers.h"

namespace selvage::scene {
namespace {

// Threads of the mesh: pitch and thickness, metres.
constexpr float kPitch = 0.0042f, kThread = 0.00085f;

// Share of the interval [x - w/2, x + w/2] that lies on a thread.
float Threads(float x, float w) {
  auto upto = [](float t) {
    float whole = std::floor(t);
    return whole * (kThread / kPitch) + std::min((t - whole), kThread / kPitch);
  };
  return (upto((x + 0.5f * w) / kPitch) - upto((x - 0.5f * w) / kPitch)) * kPitch / w;
}

struct Curtain {
  // Middle, half width, and where between brim (0) and hem (1).
  float middle, half, u;
};

// The veil's outline at a height of the picture plane, in the head's tilt.
Curtain Outline(const Pose& pose, float sy) {
  V3 top = Camera::Project(FromHead(pose, {0, kBrimHeight + 0.004f, 0}));
  V3 hem = Camera::Project(pose.neck + V3{0, -0.055f, 0.03f});
  float u = (top.y - sy) / (top.y - hem.y);
  // Hangs straight, then is drawn in at the collar.
  float half = Mix(kBrimRadius - 0.012f, 0.190f, Step01(0.0f, 0.7f, u)) - 0.045f * Step01(0.72f, 1.04f, u);
  return {Mix(top.x, hem.x, u), half + 0.005f * std::sin(9 * u + 1), u};
}

}  // namespace

void DrawVeil(const Camera& camera, const Studio& studio, const Pose& pose, VeilSide side, Picture* picture) {
  V3 head = Camera::Project(pose.head);
  int x0 = std::max(0, static_cast<int>(camera.PixelX(head.x - 0.3f))),
      x1 = std::min(camera.width, static_cast<int>(camera.PixelX(head.x + 0.3f)));
  int y0 = std::max(0, static_cast<int>(camera.PixelY(head.y + 0.2f))),
      y1 = std::min(camera.height, static_cast<int>(camera.PixelY(head.y - 0.3f)));
  float foot = camera.metres_per_pixel;
  bool front = side == VeilSide::kFront;
  for (int y = y0; y < y1; ++y) {
    float sy = camera.PlaneY(static_cast<float>(y) + 0.5f);
    for (int x = x0; x < x1; ++x) {
      float sx = camera.PlaneX(static_cast<float>(x) + 0.5f);
      Curtain c = Outline(pose, sy);
      float off = (sx - c.middle) / c.half;
      float bottom = 1.02f + (front ? 0.05f : -0.06f) * (1 - off * off);
      if (std::abs(off) > 1.05f || c.u < -0.05f || c.u > bottom + 0.05f) continue;
      // Cover of the outline within the pixel.
      float edge = Clamp01(0.5f + (1 - std::abs(off)) * c.half / foot) * Clamp01(0.5f + (bottom - c.u) * 0.24f / foot);
      float turn = std::sqrt(std::max(0.0f, 1 - std::min(1.0f, off * off)));
      // Folds hang from the brim and make the cloth double here and there.
      float around = std::asin(std::clamp(off, -1.0f, 1.0f)) * 0.2f;
      float fold =
          Noise(around * 26 + 0.5f * c.u, c.u * 1.7f, front ? 131 : 137) + 0.5f * Noise(around * 60, c.u * 2.2f, 139);
      float slope = std::clamp(1 / std::max(0.16f, turn + 0.30f * fold), 1.0f, 5.0f);
      float weft = Threads(c.u * 0.24f + 0.004f * fold, foot),
            warp = Threads(around + 0.003f * fold, std::min(0.02f, foot / std::max(0.25f, turn)));
      float open = (1 - weft) * (1 - warp);
      float cover = 1 - std::pow(open, slope);
      // Seam along the outline, hem tape at the bottom.
      cover = std::max(cover, 0.72f * Step01(0.955f, 0.99f, std::abs(off)));
      float tape = Bell((c.u - bottom + 0.03f) / 0.022f);
      cover = std::max(cover, 0.9f * tape);
      float light = 0.5f + 0.5f * Clamp01(-off * 0.8f + 0.35f + 0.35f * fold);
      V3 thread = V3{0.016f, 0.016f, 0.018f} + V3{0.062f, 0.060f, 0.056f} * (light * light) +
                  studio.bounce() * (0.012f * (1 - turn));
      thread = Mix(thread, V3{0.42f, 0.41f, 0.38f} * light, tape);
      picture->At(x, y) = Over(Cover(thread, cover * edge), picture->At(x, y));
    }
  }
}

}  // namespace selvage::scene
