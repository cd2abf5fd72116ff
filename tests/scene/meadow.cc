#include "tests/scene/meadow.h"

namespace selvage::scene {
namespace {

// Height shares from the top. The far meadow begins at the horizon; the ground
// near the camera is at 1.
constexpr float kHorizon = 0.50f;

struct Hive {
  float x, foot, size;
  V3 colour;
  int boxes;
};

constexpr Hive kHives[] = {
    {-0.66f, 0.700f, 0.120f, {0.62f, 0.66f, 0.68f}, 3}, {-0.46f, 0.672f, 0.100f, {0.30f, 0.44f, 0.56f}, 2},
    {0.50f, 0.715f, 0.128f, {0.72f, 0.60f, 0.34f}, 2},  {0.70f, 0.680f, 0.105f, {0.66f, 0.69f, 0.66f}, 3},
    {-0.27f, 0.640f, 0.070f, {0.68f, 0.66f, 0.60f}, 2}, {0.34f, 0.632f, 0.064f, {0.42f, 0.50f, 0.40f}, 2},
};

class Meadow {
 public:
  explicit Meadow(uint32_t seed) : seed_(Hash(seed, 0x3ead)) {}

  // u across in heights (0 in the middle), v down (0 top, 1 bottom).
  V3 At(float u, float v) const {
    V3 colour = v < kHorizon + 0.05f ? Sky(u, v) : V3{};
    colour = Hills(u, v, colour);
    float ground = kHorizon + 0.045f + 0.012f * Noise(u * 1.7f, 3, seed_);
    if (v > ground) colour = Grass(u, v, ground);
    colour = Hedge(u, v, ground, colour);
    for (const Hive& h : kHives) colour = HiveOver(h, u, v, colour);
    return Flowers(u, v, ground, colour);
  }

 private:
  V3 Sky(float u, float v) const {
    V3 colour = Mix(V3{0.16f, 0.34f, 0.78f}, V3{0.72f, 0.80f, 0.88f}, Step01(0.0f, kHorizon, v + 0.02f * u));
    // The sun is out of the picture, high at the left.
    colour += V3{0.60f, 0.48f, 0.30f} * (0.55f * Bell((u + 1.0f) / 0.75f) * Bell((v + 0.1f) / 0.45f));
    float y = (0.56f - v) * 5, stretch = 1 / (0.35f + 0.5f * (0.56f - v));
    float cloud =
        Octaves(u * 1.5f * stretch + 3, y * 1.7f, 6, seed_ + 1) + 0.28f * Noise(u * 0.8f, y * 0.5f, seed_ + 2);
    float thick = Step01(0.02f, 0.42f, cloud);
    float under = Octaves(u * 1.5f * stretch + 3.06f, y * 1.7f + 0.10f, 6, seed_ + 1) +
                  0.28f * Noise(u * 0.8f, y * 0.5f, seed_ + 2);
    float lit = Clamp01(0.62f + 1.7f * (cloud - under));
    return Mix(colour, Mix(V3{0.50f, 0.54f, 0.63f}, V3{1.25f, 1.19f, 1.10f}, lit), 0.9f * thick);
  }

  V3 Hills(float u, float v, V3 colour) const {
    struct Ridge {
      float base, height, wide;
      V3 colour;
    };
    static constexpr Ridge kRidges[] = {{0.425f, 0.055f, 0.9f, {0.33f, 0.43f, 0.55f}},
                                        {0.465f, 0.050f, 1.4f, {0.20f, 0.31f, 0.32f}},
                                        {0.500f, 0.040f, 2.1f, {0.14f, 0.245f, 0.145f}}};
    for (int i = 0; i < 3; ++i) {
      const Ridge& r = kRidges[i];
      uint32_t seed = seed_ + 31 + static_cast<uint32_t>(i);
      float top = r.base - r.height * Octaves(u * r.wide + static_cast<float>(i) * 5, 1, 4, seed) -
                  0.004f * std::abs(Noise(u * 60, 2, seed)) * static_cast<float>(i);
      if (v < top) continue;
      float fields = Noise(u * 3 + 7, (v - top) * 26, seed + 7),
            woods = Step01(0.05f, 0.3f, Octaves(u * 7, v * 22, 3, seed + 9));
      V3 c = r.colour * (1 + 0.16f * fields);
      c = Mix(c, c * V3{0.55f, 0.62f, 0.72f}, 0.7f * woods);
      // Haze gathers at the foot.
      colour = Mix(c, V3{0.60f, 0.68f, 0.74f}, (0.34f - 0.11f * static_cast<float>(i)) * Step01(0, 0.07f, v - top));
    }
    return colour;
  }

  V3 Grass(float u, float v, float ground) const {
    // Perspective: rows grow towards the camera.
    float near = (v - ground) / (1 - ground);
    float distance = 1 / (0.03f + 0.97f * near);
    float gx = u * distance, gz = distance;
    float sweep = Octaves(gx * 0.55f, gz * 0.45f, 4, seed_ + 41), tuft = Octaves(gx * 5, gz * 9, 4, seed_ + 43);
    float blade = Noise(u * 210 / (0.3f + near), v * 46 + 3 * tuft, seed_ + 47) * near;
    V3 c = Mix(V3{0.115f, 0.215f, 0.035f}, V3{0.315f, 0.355f, 0.085f}, Clamp01(0.5f + 0.9f * sweep));
    c = c * (1 + 0.42f * tuft * (0.3f + near) + 0.30f * blade);
    // A mown path bends through.
    float path = (u - 0.05f - 0.22f * std::sin(near * 3.4f + 0.4f) * (1 - near)) / (0.025f + 0.20f * near);
    c = Mix(c, V3{0.34f, 0.36f, 0.135f} * (1 + 0.2f * tuft), 0.75f * Bell(path));
    c = c * Mix(V3{1.0f, 1.0f, 1.0f}, V3{0.72f, 0.75f, 0.74f}, Step01(0.55f, 1.0f, near));
    return Mix(c, V3{0.56f, 0.62f, 0.50f}, 0.42f * (1 - Step01(0, 0.22f, near)));
  }

  V3 Hedge(float u, float v, float ground, V3 colour) const {
    float clump = Octaves(u * 4.2f, 9, 4, seed_ + 51), top = ground - 0.030f - 0.052f * std::max(0.0f, clump + 0.15f);
    if (v < top + 0.004f * Noise(u * 90, v * 90, seed_ + 53) || v > ground + 0.006f) return colour;
    float leaf = Octaves(u * 34, v * 34, 4, seed_ + 55), height = (ground - v) / std::max(0.01f, ground - top);
    V3 c = Mix(V3{0.020f, 0.046f, 0.016f}, V3{0.135f, 0.205f, 0.052f}, Clamp01(0.15f + 0.65f * height + 0.9f * leaf));
    return Mix(c, V3{0.42f, 0.50f, 0.52f}, 0.18f);
  }

  V3 HiveOver(const Hive& h, float u, float v, V3 colour) const {
    float wide = 0.46f * h.size, box = 0.40f * h.size,
          top = h.foot - 0.12f * h.size - box * static_cast<float>(h.boxes);
    float x = (u - h.x) / wide;
    // Shadow on the grass, to the right.
    float sx = (u - h.x - 0.35f * h.size) / (0.85f * h.size), sy = (v - h.foot) / (0.13f * h.size);
    colour = colour * (1 - 0.55f * Bell(sx) * Bell(sy));
    if (v > h.foot - 0.12f * h.size && v < h.foot && std::abs(std::abs(x) - 0.78f) < 0.10f)
      return V3{0.12f, 0.08f, 0.05f};
    float lid = 0.10f * h.size;
    if (v > top - lid && v < top && std::abs(x) < 1.10f) {
      return Mix(V3{0.78f, 0.80f, 0.82f}, V3{0.36f, 0.37f, 0.39f}, Step01(0.30f, 0.42f, (v - top + lid) / lid)) *
             (x < 0.55f ? 1.0f : 0.62f);
    }
    if (v < top || v > h.foot - 0.12f * h.size || std::abs(x) > 1) return colour;
    float row = (v - top) / box, inside = row - std::floor(row);
    // Left two thirds face the sun; the side is in shade.
    V3 c = h.colour * (x < 0.45f ? 0.95f : 0.46f) * (1 + 0.07f * Noise(u * 220, v * 34, seed_ + 61));
    c = c * (1 - 0.55f * Bell((inside - 0.02f) / 0.05f));
    if (std::abs(x + 0.25f) < 0.20f && std::abs(inside - 0.32f) < 0.06f) c = c * 0.35f;
    bool lowest = row > static_cast<float>(h.boxes) - 1;
    if (lowest && x < 0.38f && x > -0.9f && inside > 0.86f) c = V3{0.025f, 0.020f, 0.015f};
    return c;
  }

  // Flowers in cells of a grid that grows towards the camera.
  V3 Flowers(float u, float v, float ground, V3 colour) const {
    static constexpr V3 kColours[] = {{0.92f, 0.90f, 0.84f},
                                      {0.95f, 0.70f, 0.06f},
                                      {0.78f, 0.075f, 0.045f},
                                      {0.42f, 0.25f, 0.66f},
                                      {0.86f, 0.42f, 0.56f}};
    for (uint32_t layer = 0; layer < 5; ++layer) {
      float near = 0.10f + 0.22f * static_cast<float>(layer), cell = 0.010f + 0.050f * near * near;
      float x = u / cell, y = v / (cell * 0.8f);
      for (int j = -1; j <= 1; ++j) {
        for (int i = -1; i <= 1; ++i) {
          int cx = static_cast<int>(std::floor(x)) + i, cy = static_cast<int>(std::floor(y)) + j;
          uint32_t n = Hash(static_cast<uint32_t>(cx), static_cast<uint32_t>(cy), seed_ + layer * 17);
          float fx = (static_cast<float>(cx) + Unit01(Hash(n, 1))) * cell,
                fy = (static_cast<float>(cy) + Unit01(Hash(n, 2))) * cell * 0.8f;
          float depth = (fy - ground) / (1 - ground);
          if (std::abs(depth - near) > 0.15f || depth < 0.03f) continue;
          float crowd = 0.36f + 0.75f * Octaves(fx * 2.4f, fy * 5, 3, seed_ + 71 + layer);
          if (Unit01(Hash(n, 3)) > crowd) continue;
          float size = cell * Mix(0.14f, 0.26f, Unit01(Hash(n, 4))), dx = (u - fx) / size,
                dy = (v - fy) / (0.72f * size);
          float petals = 1 + 0.16f * std::cos(5 * std::atan2(dy, dx) + 6 * Unit01(Hash(n, 6)));
          float r = std::hypot(dx, dy) / petals;
          const V3& hue = kColours[Hash(n, 5) % 5];
          // Stem.
          if (dy > 0 && dy < 4 && std::abs(dx - 0.1f * dy) < 0.10f)
            colour = Mix(colour, V3{0.075f, 0.15f, 0.03f}, 0.7f);
          if (r < 1)
            colour = Mix(colour,
                         hue * (0.62f + 0.38f * Clamp01(0.5f - 0.5f * dy - 0.3f * dx)) *
                             (r < 0.28f ? V3{1, 0.75f, 0.25f} : V3{1, 1, 1}),
                         1 - Step01(0.8f, 1.0f, r));
        }
      }
    }
    return colour;
  }

  uint32_t seed_;
};

}  // namespace

Picture DrawMeadow(int width, int height, uint32_t seed) {
  Meadow meadow(seed);
  Picture picture(width, height);
  float unit = 1 / static_cast<float>(height);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      V3 sum;
      for (int k = 0; k < 4; ++k) {
        float fx = static_cast<float>(x) + 0.25f + 0.5f * static_cast<float>(k % 2),
              fy = static_cast<float>(y) + 0.25f + 0.5f * static_cast<float>(k / 2);
        sum += meadow.At((fx - 0.5f * static_cast<float>(width)) * unit, fy * unit);
      }
      picture.At(x, y) = Cover(sum * 0.25f);
    }
  }
  SoftenLens(1.3f * static_cast<float>(height) / 540, &picture);
  return picture;
}

}  // namespace selvage::scene
