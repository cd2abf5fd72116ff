#include "tests/scene/shading.h"

namespace selvage::scene {
namespace {

constexpr V3 kLampColour = {1.08f, 1.0f, 0.90f};

float Highlight(V3 normal, V3 light, float sharpness) {
  V3 half = Unit(light + ToCamera());
  return std::pow(std::max(0.0f, Dot(normal, half)), sharpness);
}

V3 Mirror(V3 normal) { return normal * (2 * Dot(normal, ToCamera())) - ToCamera(); }

// A soft-edged rectangle of light, seen in direction r; `at` is its middle.
float Lamp(V3 r, V3 at, float half_across, float half_up, float soft) {
  V3 middle = Unit(at), side = Unit(Cross({0, 1, 0}, middle)), up = Cross(middle, side);
  float front = Dot(r, middle);
  if (front <= 0.05f) return 0;
  float u = std::abs(Dot(r, side)) / front, v = std::abs(Dot(r, up)) / front;
  return (1 - Step01(half_across - soft, half_across + soft, u)) * (1 - Step01(half_up - soft, half_up + soft, v));
}

}  // namespace

V3 ToCamera() {
  static const V3 kView = Camera::World({0, 0, 1});
  return kView;
}

V3 Studio::Light(const Surface& s) const {
  const V3& n = s.normal;
  float key = std::max(0.0f, Dot(n, MainLamp())) * s.lit;
  // A large soft fill from the right of the camera, and the ceiling.
  static const V3 kFill = Unit({0.75f, 0.25f, 0.65f});
  float fill = 0.5f + 0.5f * Dot(n, kFill);
  float sky = 0.5f + 0.5f * n.y;
  V3 light = kLampColour * (0.66f * key) + V3{0.90f, 0.98f, 1.10f} * (0.125f * fill * fill * s.open) +
             V3{1, 1, 1} * (0.065f * sky * s.open);
  // Spill: up from the floor, strongest near it, and round the edges from the
  // wall behind, which also lies at the sides.
  float down = Clamp01(0.5f - 0.5f * n.y);
  float floor_spill = down * (0.07f + 0.42f * std::exp(-std::max(0.0f, s.p.y) / 0.38f));
  float away = 1 - Clamp01(Dot(n, ToCamera()));
  float wall_spill = 0.26f * away * away * away + 0.04f * away;
  return light + bounce_ * ((floor_spill + wall_spill) * (0.25f + 0.75f * s.open));
}

float Studio::Fold(V3 p) const {
  // Cloth gathers across the limbs near knees, elbows, waist and ankles, and
  // hangs nearly smooth between.
  auto near = [&](float y, float width) { return Bell((p.y - y) / width); };
  float slack = 0.42f + 0.75f * near(0.50f, 0.13f) + 0.95f * near(0.37f, 0.07f) + 0.9f * near(0.99f, 0.09f) +
                0.6f * near(1.17f, 0.12f) + 0.45f * near(0.80f, 0.08f);
  float lean = 0.45f * Noise(V3{p.x * 3.5f, p.y * 2.5f, p.z * 3}, 11);
  float across = Noise(V3{p.x * 5.5f + lean, (p.y + 0.55f * std::abs(p.x) + 0.16f * lean) * 19, p.z * 5}, 23);
  float hang = Noise(V3{p.x * 15 + 2.2f * lean, p.y * 3.4f, p.z * 11}, 37);
  float ridge = 1 - 2 * std::abs(across);
  float height = 0.0082f * slack * ridge + 0.0062f * hang;
  return std::clamp(height, -kFoldLimit, kFoldLimit);
}

V3 Studio::Suit(const Surface& s, V3 p) const {
  V3 colour = {0.80f, 0.79f, 0.755f};
  // Zip and its flap, yoke seam, pockets, cuffs at the waist: fine dark lines.
  float front = Step01(0.25f, 0.55f, s.normal.z);
  float zip = std::abs(p.x - 0.012f);
  float line =
      front * (0.55f * Bell(zip / 0.0035f) + 0.22f * Bell((zip - 0.021f) / 0.003f)) * Step01(0.86f, 0.90f, p.y);
  if (p.y > 0.86f) {
    line += front * 0.28f * Bell((p.y - 1.335f - 0.15f * std::abs(p.x)) / 0.003f) * Step01(0.02f, 0.04f, std::abs(p.x));
    float px = std::abs(std::abs(p.x) - 0.092f), py = std::abs(p.y - 1.245f);
    float edge = std::max(px / 0.042f, py / 0.052f);
    line += front * 0.30f * Bell((edge - 1) / 0.07f);
    if (py < 0.052f && px < 0.042f) line += front * 0.18f * Bell((p.y - 1.272f) / 0.0025f);
    line += 0.35f * Bell((p.y - 0.985f) / 0.006f);
  }
  // Honest dirt: knees, hem, and propolis stains.
  float dirt = 0.30f * Bell((p.y - 0.53f) / 0.07f) + 0.55f * (1 - Step01(0.28f, 0.46f, p.y)) + 0.10f;
  dirt *= Step01(0.42f, 0.78f, 0.5f + Octaves(p.x * 12 + p.z * 7, p.y * 12, 3, 71));
  colour = Mix(colour, V3{0.40f, 0.33f, 0.22f}, 0.5f * Clamp01(dirt));
  colour = colour * (1 - Clamp01(line)) * (1 + 0.025f * Noise(V3{p.x * 240, p.y * 240, p.z * 240}, 5));
  // Light that comes through and scatters in cotton softens the shadow side.
  return colour * (Light(s) + V3{0.014f, 0.0145f, 0.0145f});
}

V3 Studio::Skin(const Surface& s, V3 p) const {
  // p is relative to the head's middle, before its roll.
  V3 colour = {0.66f, 0.40f, 0.29f};
  if (s.normal.z > 0) {
    float ex = std::abs(p.x) - 0.034f, ey = p.y - 0.012f;
    float eye = Bell(ex / 0.015f) * Bell(ey / 0.0065f);
    float brow = Bell(ex / 0.02f) * Bell((p.y - 0.034f + 0.12f * std::abs(ex)) / 0.0055f);
    float mouth = Bell(p.x / 0.025f) * Bell((p.y + 0.062f + 0.25f * p.x * p.x / 0.025f) / 0.0055f);
    float cheek = Bell((std::abs(p.x) - 0.045f) / 0.022f) * Bell((p.y + 0.03f) / 0.024f);
    colour = Mix(colour, V3{0.54f, 0.23f, 0.17f}, 0.55f * cheek);
    colour = Mix(colour, V3{0.34f, 0.09f, 0.085f}, 0.8f * mouth);
    colour = Mix(colour, V3{0.15f, 0.10f, 0.055f}, 0.7f * brow);
    colour = Mix(colour, V3{0.035f, 0.03f, 0.028f}, 0.9f * eye);
  }
  float wrap = 0.06f * s.open;
  return colour * (Light(s) + V3{wrap * 1.3f, wrap, wrap}) +
         V3{1, 1, 1} * (0.05f * s.lit * Highlight(s.normal, MainLamp(), 24));
}

V3 Studio::Reflected(V3 r, float height) const {
  // Behind the camera: a dark room with a grey ceiling.
  V3 seen = Mix(V3{0.030f, 0.031f, 0.034f}, V3{0.16f, 0.165f, 0.17f}, Step01(0.15f, 0.9f, r.y));
  float screen = 1 - Step01(-0.10f, 0.28f, r.z);
  float level = 0.95f * (1 - 0.55f * Step01(0.35f, 0.95f, r.y)) * (0.8f + 0.25f * Noise(r.x * 2.2f, r.y * 2.2f, 91));
  seen = Mix(seen, paint_ * (1.05f * level), screen);
  // The floor of the screen lies all around below.
  float floor = Step01(-0.04f, -0.20f, r.y);
  floor = 1 - Step01(-0.22f, -0.03f, r.y);
  seen = Mix(seen, paint_ * (0.78f + 0.1f * height), floor * (0.55f + 0.45f * screen));
  // The figure's white suit stands at the can's right.
  float suit = Step01(0.55f, 0.85f, r.x) * (1 - Step01(0.45f, 0.8f, std::abs(r.y - 0.1f)));
  seen = Mix(seen, V3{0.34f, 0.345f, 0.32f}, 0.8f * suit);
  seen += V3{4.6f, 4.3f, 3.9f} * Lamp(r, {-0.62f, 0.42f, 0.72f}, 0.20f, 0.34f, 0.05f);
  seen += V3{1.15f, 1.22f, 1.35f} * Lamp(r, {0.62f, 0.12f, 0.75f}, 0.09f, 0.60f, 0.04f);
  return seen;
}

V3 Studio::Steel(const Surface& s, V3 p) const {
  // Light brushing and rolled bands bend the mirror a little.
  V3 n = s.normal;
  n.y += 0.035f * Noise(V3{p.x * 8, p.y * 260, p.z * 8}, 51) + 0.05f * Noise(V3{p.x * 14, p.y * 16, p.z * 14}, 53);
  n.x += 0.03f * Noise(V3{p.x * 16, p.y * 20, p.z * 16}, 57);
  n = Unit(n);
  V3 colour = V3{0.74f, 0.75f, 0.77f} * Reflected(Mirror(n), s.p.y) * (0.35f + 0.65f * s.open);
  colour += Light(s) * 0.035f;
  // Soot and heat colours below the lid.
  float soot = Step01(0.45f, 0.85f, 0.5f + Octaves(p.x * 22, p.y * 22 + p.z * 9, 3, 61));
  return Mix(colour, colour * V3{0.42f, 0.34f, 0.24f}, 0.75f * soot * Step01(0.10f, 0.22f, p.y));
}

V3 Studio::Boot(const Surface& s, V3 p) const {
  V3 colour = {0.020f, 0.023f, 0.019f};
  float mud =
      (1 - Step01(0.03f, 0.14f, p.y)) * Step01(0.35f, 0.75f, 0.5f + Octaves(p.x * 25, p.y * 25 + p.z * 15, 3, 81));
  colour = Mix(colour, V3{0.16f, 0.115f, 0.07f}, 0.75f * mud);
  if (p.y < 0.024f) colour = {0.05f, 0.034f, 0.022f};
  V3 r = Mirror(s.normal);
  float away = 1 - Clamp01(Dot(s.normal, ToCamera()));
  float shine = (0.045f + 0.55f * std::pow(away, 5.0f)) * (1 - 0.8f * mud);
  V3 seen = Reflected(r, s.p.y);
  return colour * Light(s) +
         V3{std::min(seen.x, 2.2f), std::min(seen.y, 2.2f), std::min(seen.z, 2.2f)} * (shine * s.open);
}

V3 Studio::Shade(const Surface& s, V3 p) const {
  switch (s.stuff) {
    case Stuff::kSuit:
      return Suit(s, p);
    case Stuff::kSkin:
      return Skin(s, p);
    case Stuff::kSteel:
      return Steel(s, p);
    case Stuff::kBoot:
      return Boot(s, p);
    case Stuff::kGlove: {
      float grain = 1 + 0.16f * Octaves(p.x * 60 + p.z * 30, p.y * 60, 2, 31);
      return V3{0.40f, 0.245f, 0.105f} * grain * Light(s) +
             V3{1, 1, 1} * (0.03f * s.lit * Highlight(s.normal, MainLamp(), 14));
    }
    case Stuff::kHair: {
      float strand = 0.78f + 0.4f * Noise(p.x * 150 + 9 * Noise(p.x * 12, p.y * 9, 43), p.y * 11, 41);
      return V3{0.40f, 0.335f, 0.135f} * strand * Light(s) +
             V3{0.9f, 0.8f, 0.5f} * (0.10f * s.lit * Highlight(s.normal, MainLamp(), 9));
    }
    case Stuff::kHat: {
      // Plaited straw, round and round.
      float ring = std::sqrt(p.x * p.x + p.z * p.z);
      float plait =
          0.86f + 0.10f * std::sin((ring + 0.8f * p.y) * 520) + 0.08f * Noise(V3{p.x * 90, p.y * 90, p.z * 90}, 47);
      V3 straw = V3{0.62f, 0.48f, 0.26f} * plait;
      if (ring < 0.128f && p.y > 0.006f && p.y < 0.040f) straw = {0.055f, 0.030f, 0.026f};
      return straw * Light(s);
    }
    case Stuff::kLeather:
      return V3{0.105f, 0.050f, 0.028f} * (1 + 0.3f * std::sin(p.y * 240)) * Light(s) +
             V3{1, 1, 1} * (0.05f * s.lit * Highlight(s.normal, MainLamp(), 18));
    case Stuff::kWood:
      return V3{0.46f, 0.30f, 0.145f} * (1 + 0.2f * Noise(p.x * 40, p.y * 5, 49)) * Light(s);
    case Stuff::kNothing:
      break;
  }
  return {};
}

}  // namespace selvage::scene
