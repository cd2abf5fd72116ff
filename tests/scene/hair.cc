#include "tests/scene/layers.h"

namespace selvage::scene {
namespace {

constexpr int kSegments = 26;

struct Strand {
  V3 point[kSegments + 1];
  float width;
  V3 colour;
};

// One strand: from under the hat's back down past the shoulder, with curl, a
// breeze that comes and goes, and for some a flight of their own outward.
Strand MakeStrand(const Pose& pose, float seconds, uint32_t seed, uint32_t n, HairPart part) {
  auto random = [&](uint32_t k) { return Random(seed, n, k); };
  auto spread = [&](uint32_t k) { return random(k) + random(k + 40) - 1.0f; };
  bool outside = part == HairPart::kOutside;
  float side = n % 2 == 0 ? -1.0f : 1.0f;
  float stray = outside ? std::pow(random(1), 1.6f) : 0.25f * random(1);
  Strand strand;
  strand.width = Mix(0.0009f, 0.0021f, random(2)) * (outside ? 1.0f : 1.2f);
  float green = random(3);
  strand.colour = Mix(V3{0.46f, 0.375f, 0.150f}, V3{0.36f, 0.365f, 0.115f}, green) * Mix(0.75f, 1.25f, random(4));

  float length = outside ? Mix(0.20f, 0.40f, random(5)) : Mix(0.16f, 0.27f, random(5));
  V3 root =
      FromHead(pose, {side * (0.092f + 0.018f * random(6)),
                      outside ? -0.115f + 0.09f * spread(7) : -0.02f + 0.05f * spread(7), outside ? 0.02f : 0.04f});
  float phase = 6.28f * random(9), pace = Mix(3.0f, 6.5f, random(10));
  float breeze = 0.6f + 0.4f * std::sin(1.9f * seconds + 0.4f) + 0.35f * std::sin(4.3f * seconds + side);
  float outward = Mix(0.12f, 1.25f, stray) + 0.10f * spread(11);
  float curl = Mix(0.002f, 0.016f, random(12)), turns = Mix(1.0f, 3.2f, random(13));
  for (int i = 0; i <= kSegments; ++i) {
    float u = static_cast<float>(i) / kSegments;
    float wave = std::sin(pace * seconds + phase - 3 * u);
    // Falls at first, then drifts with the air the more it strays.
    float x = side * outward * length * (0.25f * u + 0.75f * u * u) + 0.035f * breeze * stray * u * u +
              (0.006f + 0.022f * stray) * wave * u * u;
    float y = -length * (u - 0.55f * stray * u * u) + 0.012f * stray * wave * u;
    x += curl * std::sin(turns * 6.28f * u + phase) * u;
    y += 0.5f * curl * std::cos(turns * 5.1f * u + phase) * u;
    strand.point[i] = root + V3{x, y, 0.06f * u};
  }
  return strand;
}

// Coverage of one strand, kept apart so that its own segments don't add up.
class Scratch {
 public:
  explicit Scratch(const Picture& picture)
      : width_(picture.width), height_(picture.height), cover_(picture.pixels.size()), light_(cover_.size()) {}

  void Segment(V3 a, V3 b, float width, float light_a, float light_b) {
    float reach = 0.5f * width + 1.2f;
    int x0 = std::max(0, static_cast<int>(std::min(a.x, b.x) - reach)),
        x1 = std::min(width_ - 1, static_cast<int>(std::max(a.x, b.x) + reach));
    int y0 = std::max(0, static_cast<int>(std::min(a.y, b.y) - reach)),
        y1 = std::min(height_ - 1, static_cast<int>(std::max(a.y, b.y) + reach));
    float dx = b.x - a.x, dy = b.y - a.y, square = std::max(1e-9f, dx * dx + dy * dy);
    for (int y = y0; y <= y1; ++y) {
      for (int x = x0; x <= x1; ++x) {
        float px = static_cast<float>(x) + 0.5f - a.x, py = static_cast<float>(y) + 0.5f - a.y;
        float u = Clamp01((px * dx + py * dy) / square);
        float off = Length({px - u * dx, py - u * dy, 0});
        // A bar of this width through a pixel one wide.
        float cover = std::min({1.0f, width, std::max(0.0f, 0.5f * (width + 1) - off)});
        size_t i = static_cast<size_t>(y) * width_ + x;
        if (cover <= cover_[i]) continue;
        if (cover_[i] == 0) touched_.push_back(i);
        cover_[i] = cover;
        light_[i] = Mix(light_a, light_b, u);
      }
    }
  }

  void Lay(V3 colour, Picture* picture) {
    for (size_t i : touched_) {
      picture->pixels[i] = Over(Cover(colour * light_[i], cover_[i]), picture->pixels[i]);
      cover_[i] = 0;
    }
    touched_.clear();
  }

 private:
  int width_, height_;
  std::vector<float> cover_, light_;
  std::vector<size_t> touched_;
};

}  // namespace

void DrawHair(const Camera& camera, const Studio& studio, const Shot& shot, float frame, uint32_t seed, HairPart part,
              Picture* picture) {
  // Strands move less than half a pixel while the shutter is open: one moment.
  Pose pose = PoseAt(shot, frame + 0.5f * kShutter);
  float seconds = (frame - 1001.0f) / 24.0f;
  Scratch scratch(*picture);
  uint32_t count = part == HairPart::kInside ? 150 : 190;
  uint32_t stream = Hash(seed, part == HairPart::kInside ? 0x4a1 : 0x4a2);
  for (uint32_t n = 0; n < count; ++n) {
    Strand strand = MakeStrand(pose, seconds, stream, n, part);
    V3 plane[kSegments + 1];
    float light[kSegments + 1];
    for (int i = 0; i <= kSegments; ++i) {
      V3 q = Camera::Project(strand.point[i]);
      plane[i] = {camera.PixelX(q.x), camera.PixelY(q.y), q.z};
      V3 along = Unit(strand.point[std::min(i + 1, kSegments)] - strand.point[std::max(i - 1, 0)]);
      // A cylinder shines where the light stands across it.
      float t = Dot(along, MainLamp()), glint = std::pow(std::sqrt(std::max(0.0f, 1 - t * t)), 6.0f);
      light[i] = 0.34f + 0.62f * glint;
    }
    for (int i = 0; i < kSegments; ++i) {
      float taper = strand.width * (1 - 0.6f * static_cast<float>(i) / kSegments);
      scratch.Segment(plane[i], plane[i + 1], taper / camera.metres_per_pixel, light[i], light[i + 1]);
    }
    // Light of the screen comes through fine hair.
    scratch.Lay(strand.colour + studio.bounce() * V3{0.03f, 0.055f, 0.03f}, picture);
  }
}

}  // namespace selvage::scene
