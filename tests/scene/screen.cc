#include "tests/scene/screen.h"

namespace selvage::scene {
namespace {

// Floor up to kCurveStart, then a quarter circle, then the wall.
constexpr float kCurveStart = -0.75f, kCurveRadius = 0.75f;

struct Paint {
  V3 screen, tape;
};

Paint PaintOf(ScreenHue hue) {
  switch (hue) {
    case ScreenHue::kBlue:
      return {{0.040f, 0.085f, 0.370f}, {0.030f, 0.045f, 0.150f}};
    case ScreenHue::kYellowGreen:
      return {{0.235f, 0.370f, 0.062f}, {0.095f, 0.160f, 0.030f}};
    case ScreenHue::kGreen:
      break;
  }
  return {{0.052f, 0.330f, 0.082f}, {0.022f, 0.150f, 0.040f}};
}

}  // namespace

Screen::Screen(ScreenHue hue, uint32_t seed) : seed_(Hash(seed, 0x5c3e)) {
  Paint paint = PaintOf(hue);
  paint_ = paint.screen;
  tape_ = paint.tape;
  bounce_ = paint_ * (1 / std::max({paint_.x, paint_.y, paint_.z}));
  for (size_t i = 0; i < wrinkles_.size(); ++i) {
    uint32_t n = static_cast<uint32_t>(i);
    auto random = [&](uint32_t k, float from, float to) { return Mix(from, to, Random(seed_, n, k)); };
    // Most hang from the top bar, nearly upright; a few are pulls across.
    bool across = i % 4 == 3;
    wrinkles_[i] = {random(1, -2.3f, 2.3f),
                    random(2, 0.6f, 3.0f),
                    across ? random(3, 0.9f, 1.5f) : random(3, -0.22f, 0.22f),
                    random(4, 0.25f, 0.75f),
                    random(5, 0.012f, 0.045f),
                    random(6, 0.05f, 0.15f) * (random(7, 0, 1) < 0.5f ? -1.0f : 1.0f)};
  }
}

void Screen::Meet(float sx, float sy, V3* p, V3* normal) const {
  V3 up = Camera::World({0, 1, 0}), view = Camera::World({0, 0, 1});
  // Floor: y = 0.
  float z = sy * up.z - sy * up.y / view.y * view.z;
  if (z >= kCurveStart) {
    *p = {sx, 0, z};
    *normal = {0, 1, 0};
    return;
  }
  float wall = kCurveStart - kCurveRadius;
  float y = sy * up.y + (wall - sy * up.z) / view.z * view.y;
  if (y >= kCurveRadius) {
    *p = {sx, y, wall};
    *normal = {0, 0, 1};
    return;
  }
  // The curve: plane height rises with the angle, so halving finds it.
  float low = 0, high = 1.5707963f;
  auto point = [&](float f) {
    return V3{sx, kCurveRadius * (1 - std::cos(f)), kCurveStart - kCurveRadius * std::sin(f)};
  };
  for (int i = 0; i < 22; ++i) {
    float mid = 0.5f * (low + high);
    (Camera::Project(point(mid)).y < sy ? low : high) = mid;
  }
  *p = point(low);
  *normal = {0, std::cos(low), std::sin(low)};
}

// Relative brightness from wrinkles and weave; s runs up along the cloth.
float Screen::Cloth(float x, float s) const {
  float light = 1;
  for (const Wrinkle& w : wrinkles_) {
    float c = std::cos(w.angle), n = std::sin(w.angle);
    float dx = x - w.x, ds = s - w.s;
    float bow = 0.06f * Noise(ds * 2.1f + w.x * 7, w.s, seed_);
    float off = (c * dx + n * ds + bow) / w.width, along = (-n * dx + c * ds) / w.length;
    if (std::abs(off) > 4 || std::abs(along) > 2.5f) continue;
    // One flank of a fold faces the light, the other turns away.
    light += w.depth * 2.33f * off * Bell(off) * Bell(along);
  }
  light += 0.030f * Octaves(x * 1.3f, s * 0.7f, 3, seed_ + 5);
  light += 0.012f * Noise(x * 9, s * 5, seed_ + 9);
  // Seam between two lengths of cloth.
  float seam = (x - 0.93f - 0.01f * Noise(s * 2, 0.0f, seed_)) / 0.006f;
  light -= 0.045f * Bell(seam) - 0.03f * Bell(seam - 1.8f);
  return light;
}

// Coverage of the tracking crosses on the wall.
float Screen::Crosses(float x, float y, float* lighter) const {
  constexpr float kPitchX = 0.78f, kPitchY = 0.56f, kArm = 0.042f, kHalf = 0.0085f, kSoft = 0.003f;
  float column = std::round(x / kPitchX), row = std::round((y - 0.95f) / kPitchY);
  uint32_t n = static_cast<uint32_t>(static_cast<int>(column) * 64 + static_cast<int>(row) + 4096);
  float jitter = 0.03f, turn = 0.16f * (Random(seed_, n, 3) - 0.5f);
  float dx = x - column * kPitchX - jitter * (Random(seed_, n, 1) - 0.5f);
  float dy = y - 0.95f - row * kPitchY - jitter * (Random(seed_, n, 2) - 0.5f);
  float u = std::cos(turn) * dx + std::sin(turn) * dy, v = -std::sin(turn) * dx + std::cos(turn) * dy;
  auto bar = [&](float a, float b) {
    return (1 - Step01(kHalf - kSoft, kHalf + kSoft, std::abs(a))) *
           (1 - Step01(kArm - kSoft, kArm + kSoft, std::abs(b)));
  };
  // Two rolls of tape: most crosses are darker than the cloth, some lighter.
  *lighter = Random(seed_, n, 4) > 0.7f ? 1.0f : 0.0f;
  return std::max(bar(u, v), bar(v, u));
}

V3 Screen::At(float sx, float sy) const {
  V3 p, normal;
  Meet(sx, sy, &p, &normal);
  bool wall = normal.z > 0.999f;
  float s = wall ? p.y + 0.9f : p.y * 0.6f - p.z;

  // Two lamps from above, left a little stronger and warmer; corners fall off.
  float left = Bell((p.x + 1.05f) / 1.5f) * Bell((p.y - 1.35f) / 1.6f);
  float right = Bell((p.x - 1.25f) / 1.4f) * Bell((p.y - 1.15f) / 1.5f);
  float light = 0.40f + 0.52f * left + 0.42f * right;
  // The floor lies open to the lamps above; the curve between looks away.
  light *= Mix(1.0f, 1.04f, normal.y) - 0.16f * std::sin(3.1415927f * normal.y) * (1 - 0.4f * normal.y);
  light *= 1 - 0.035f * (p.x * p.x) * 0.5f;
  float cloth = wall ? Cloth(p.x, s) : Mix(1.0f, Cloth(p.x, s), 0.55f);
  V3 colour = paint_;
  if (wall) {
    float lighter, cross = Crosses(p.x, p.y, &lighter);
    V3 tape = lighter > 0 ? paint_ * 1.45f + V3{0.03f, 0.02f, 0.03f} : tape_;
    colour = Mix(colour, tape, 0.9f * cross);
  } else {
    // Shoe marks and dust.
    float worn = Step01(0.25f, 0.75f, Octaves(p.x * 3.1f, p.z * 2.2f, 4, seed_ + 21)) * normal.y;
    colour = Mix(colour, colour * 0.86f + V3{0.012f, 0.010f, 0.010f}, worn);
  }
  V3 tint = Mix(V3{1.03f, 1.0f, 0.96f}, V3{0.97f, 1.0f, 1.05f}, Step01(-1.6f, 1.6f, p.x));
  return colour * tint * (light * cloth);
}

Picture DrawScreen(const Camera& camera, const Screen& screen) {
  Picture picture(camera.width, camera.height);
  for (int y = 0; y < camera.height; ++y) {
    for (int x = 0; x < camera.width; ++x) {
      V3 c = screen.At(camera.PlaneX(static_cast<float>(x) + 0.5f), camera.PlaneY(static_cast<float>(y) + 0.5f));
      picture.At(x, y) = {c.x, c.y, c.z, 1};
    }
  }
  return picture;
}

Picture DrawShadow(const Camera& camera, const Screen& screen, const std::vector<Solid>& casters) {
  // The shadow is soft: a coarse grid, then straight lines between.
  float cell = 0.0125f;
  int columns = static_cast<int>(std::ceil(camera.metres_per_pixel * static_cast<float>(camera.width) / cell)) + 2;
  int rows = static_cast<int>(std::ceil(Camera::kMetres / cell)) + 2;
  std::vector<float> grid(static_cast<size_t>(columns) * rows, 1.0f);
  float x0 = camera.PlaneX(0), y0 = camera.PlaneY(0);
  for (int j = 0; j < rows; ++j) {
    for (int i = 0; i < columns; ++i) {
      float sx = x0 + static_cast<float>(i) * cell, sy = y0 - static_cast<float>(j) * cell;
      // Only the floor, the curve and the wall's foot near the figure can be in it.
      if (sy > 0.75f || std::abs(sx - 0.35f) > 1.3f) continue;
      V3 p, normal;
      screen.Meet(sx, sy, &p, &normal);
      float key = LampShare(casters, p + normal * 0.004f, 0.30f);
      float closed = 0;
      for (float step : {0.02f, 0.05f, 0.11f}) {
        closed += std::max(0.0f, step - Nearest(casters, p + normal * step).distance) / step;
      }
      float fade = Step01(-1.3f, -0.2f, p.z) * (1 - Step01(0.9f, 1.3f, std::abs(sx - 0.35f)));
      grid[static_cast<size_t>(j) * columns + i] =
          (1 - 0.56f * (1 - key) * fade) * (1 - 0.20f * std::min(closed, 3.0f));
    }
  }
  Picture picture(camera.width, camera.height);
  for (int y = 0; y < camera.height; ++y) {
    for (int x = 0; x < camera.width; ++x) {
      float gx = (camera.PlaneX(static_cast<float>(x) + 0.5f) - x0) / cell,
            gy = (y0 - camera.PlaneY(static_cast<float>(y) + 0.5f)) / cell;
      int i = static_cast<int>(gx), j = static_cast<int>(gy);
      const float* top = &grid[static_cast<size_t>(j) * columns + i];
      float u = gx - static_cast<float>(i), v = gy - static_cast<float>(j);
      float s = Mix(Mix(top[0], top[1], u), Mix(top[columns], top[columns + 1], u), v);
      picture.At(x, y) = {s, s, s, 1};
    }
  }
  return picture;
}

}  // namespace selvage::scene
