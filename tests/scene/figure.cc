#include "tests/scene/figure.h"

namespace selvage::scene {
namespace {

Solid Limb(V3 a, V3 b, float ra, float rb, Stuff stuff, float blend = 0, float flat = 1) {
  return {Solid::kLimb, a, b, ra, rb, stuff, flat, 0, blend};
}

void AddLegs(const Pose& p, std::vector<Solid>* body) {
  for (int i = 0; i < 2; ++i) {
    body->push_back(Limb(p.hip[i], p.knee[i], 0.112f, 0.090f, Stuff::kSuit, 0.05f));
    V3 cuff = Mix(p.knee[i], p.ankle[i], 0.36f);
    // Trousers are tucked into the boots and billow above them.
    body->push_back(Limb(p.knee[i], cuff, 0.087f, 0.086f, Stuff::kSuit, 0.05f));
    V3 top = Mix(p.knee[i], p.ankle[i], 0.40f);
    body->push_back({Solid::kCan, p.ankle[i] + V3{0, -0.03f, 0}, top, 0.064f, 0.089f, Stuff::kBoot, 1, 0.012f, 0});
    V3 heel = p.ankle[i] + V3{0, -0.045f, -0.025f};
    body->push_back(Limb(heel, Mix(heel, p.toe[i], 0.55f) + V3{0, 0.015f, 0}, 0.064f, 0.058f, Stuff::kBoot));
    body->push_back(Limb(Mix(heel, p.toe[i], 0.5f), p.toe[i], 0.058f, 0.047f, Stuff::kBoot));
    // Sole.
    V3 middle = Mix(heel, p.toe[i], 0.5f);
    body->push_back(
        {Solid::kEllipsoid, {middle.x, 0.016f, middle.z}, {0.068f, 0.018f, 0.155f}, 0, 0, Stuff::kBoot, 1, 0, 0});
  }
}

void AddTorso(const Pose& p, std::vector<Solid>* body) {
  constexpr float kBlend = 0.06f;
  body->push_back(
      Limb(p.pelvis + V3{0, -0.05f, 0}, Mix(p.pelvis, p.chest, 0.55f), 0.172f, 0.150f, Stuff::kSuit, kBlend, 1.35f));
  body->push_back(
      Limb(Mix(p.pelvis, p.chest, 0.5f), p.chest + V3{0, 0.02f, 0}, 0.150f, 0.172f, Stuff::kSuit, kBlend, 1.35f));
  body->push_back(Limb(p.shoulder[0], p.shoulder[1], 0.078f, 0.078f, Stuff::kSuit, kBlend, 1.1f));
  body->push_back(
      Limb(Mix(p.shoulder[0], p.shoulder[1], 0.5f) + V3{0, 0.0f, 0}, p.neck, 0.12f, 0.078f, Stuff::kSuit, kBlend));
  for (int i = 0; i < 2; ++i) body->push_back(Limb(p.shoulder[i], p.elbow[i], 0.079f, 0.064f, Stuff::kSuit, 0.04f));
}

void AddHead(const Pose& p, std::vector<Solid>* body) {
  auto at = [&](float x, float y, float z) { return FromHead(p, {x, y, z}); };
  body->push_back({Solid::kEllipsoid, at(0, 0, 0), {0.076f, 0.112f, 0.095f}, 0, 0, Stuff::kSkin, 1, 0, 0});
  body->push_back(Limb(at(0, 0.012f, 0.088f), at(0, -0.026f, 0.106f), 0.010f, 0.016f, Stuff::kSkin));
  body->push_back(Limb(at(0, -0.07f, -0.01f), p.neck + V3{0, -0.03f, 0}, 0.056f, 0.062f, Stuff::kSkin));
  // Hair: a cap, and two locks in front of the shoulders.
  body->push_back({Solid::kEllipsoid, at(0, 0.026f, -0.022f), {0.088f, 0.110f, 0.098f}, 0, 0, Stuff::kHair, 1, 0, 0});
  for (float s : {-1.0f, 1.0f}) {
    body->push_back(Limb(at(0.080f * s, 0.02f, 0.0f), at(0.098f * s, -0.10f, 0.01f), 0.022f, 0.032f, Stuff::kHair));
    body->push_back(Limb(at(0.098f * s, -0.10f, 0.01f), at(0.118f * s, -0.205f, 0.085f), 0.032f, 0.018f, Stuff::kHair));
  }
}

void AddSmokerHand(const Pose& p, std::vector<Solid>* body) {
  V3 fore = p.wrist[0] - p.elbow[0];
  V3 cuff = p.elbow[0] + fore * 0.80f;
  body->push_back(Limb(p.elbow[0], cuff, 0.064f, 0.054f, Stuff::kSuit, 0.04f));
  body->push_back({Solid::kCan, p.elbow[0] + fore * 0.55f, p.wrist[0], 0.062f, 0.045f, Stuff::kGlove, 1, 0.008f, 0});
  V3 palm = p.wrist[0] + V3{-0.045f, -0.015f, 0.03f};
  body->push_back(Limb(p.wrist[0], palm, 0.040f, 0.041f, Stuff::kGlove));
  for (int i = 0; i < 4; ++i) {
    float y = 0.030f - 0.024f * static_cast<float>(i);
    body->push_back(
        Limb(palm + V3{-0.012f, y, 0.028f}, palm + V3{-0.058f, y - 0.006f, 0.030f}, 0.0135f, 0.012f, Stuff::kGlove));
  }
}

std::vector<Solid> SmokerOf(const Pose& p) {
  std::vector<Solid> out;
  const V3 base = p.smoker, up = p.smoker_axis;
  auto at = [&](float h) { return base + up * h; };
  constexpr float kCan = 0.068f;
  out.push_back({Solid::kCan, at(0), at(0.165f), kCan, kCan, Stuff::kSteel, 1, 0.006f, 0});
  for (float h : {0.012f, 0.150f})
    out.push_back({Solid::kCan, at(h), at(h + 0.010f), kCan + 0.004f, kCan + 0.004f, Stuff::kSteel, 1, 0.004f, 0});
  // Lid, a cone that leans to its spout.
  V3 peak = at(0.245f) + V3{-0.022f, 0, 0.01f};
  out.push_back({Solid::kCan, at(0.162f), peak, kCan + 0.002f, 0.024f, Stuff::kSteel, 1, 0.006f, 0});
  out.push_back({Solid::kCan, peak, peak + V3{-0.040f, 0.030f, 0.01f}, 0.024f, 0.018f, Stuff::kSteel, 1, 0.004f, 0});
  out.push_back(
      Limb(at(0.168f) + V3{0.06f, 0, 0.02f}, at(0.185f) + V3{0.075f, 0, 0.02f}, 0.010f, 0.010f, Stuff::kSteel));
  // Bellows between two boards, on the hand's side.
  float lean = std::atan2(-up.x, up.y);
  V3 side = at(0.085f) + V3{0.112f, 0, 0.0f};
  out.push_back({Solid::kBox, side + V3{-0.030f, 0, 0}, {0.007f, 0.085f, 0.050f}, lean, 0, Stuff::kWood, 1, 0.004f, 0});
  out.push_back({Solid::kBox, side, {0.026f, 0.078f, 0.044f}, lean, 0, Stuff::kLeather, 1, 0.008f, 0});
  out.push_back({Solid::kBox,
                 side + V3{0.030f, 0.002f, 0},
                 {0.007f, 0.088f, 0.050f},
                 lean + 0.10f,
                 0,
                 Stuff::kWood,
                 1,
                 0.004f,
                 0});
  return out;
}

Shader MakeShader(const Studio& studio, const Pose& pose) {
  return [&studio, &pose](const Surface& s) {
    V3 cloth = s.p;
    switch (s.stuff) {
      case Stuff::kSkin:
      case Stuff::kHair:
        cloth = InHead(pose, s.p);
        break;
      case Stuff::kHat:
        cloth = InHead(pose, s.p) + V3{0, -kBrimHeight, 0};
        break;
      case Stuff::kSteel:
      case Stuff::kLeather:
      case Stuff::kWood:
        cloth = s.p - pose.smoker;
        break;
      default:
        cloth.x -= pose.sway * Clamp01(s.p.y);
    }
    return studio.Shade(s, cloth);
  };
}

float NoFold(V3, Stuff) { return 0; }

}  // namespace

V3 InHead(const Pose& pose, V3 p) {
  V3 q = p - pose.head;
  float c = std::cos(pose.head_roll), s = std::sin(pose.head_roll);
  return {c * q.x - s * q.y, s * q.x + c * q.y, q.z};
}

V3 FromHead(const Pose& pose, V3 q) {
  float c = std::cos(pose.head_roll), s = std::sin(pose.head_roll);
  return pose.head + V3{c * q.x + s * q.y, -s * q.x + c * q.y, q.z};
}

Figure::Figure(const Pose& p) {
  AddTorso(p, &body);
  AddLegs(p, &body);
  AddHead(p, &body);
  AddSmokerHand(p, &body);
  smoker = SmokerOf(p);
  V3 brim = FromHead(p, {0, kBrimHeight, -0.005f});
  V3 up = FromHead(p, {0, 1, 0}) - FromHead(p, {0, 0, 0});
  hat.push_back({Solid::kCan, brim, brim + up * 0.013f, kBrimRadius + 0.022f, kBrimRadius, Stuff::kHat, 1, 0.006f, 0});
  hat.push_back({Solid::kCan, brim + up * 0.005f, brim + up * 0.112f, 0.120f, 0.098f, Stuff::kHat, 1, 0.035f, 0});
  casters = body;
  casters.insert(casters.end(), hat.begin(), hat.end());
  casters.insert(casters.end(), smoker.begin(), smoker.end());
  for (auto* solids : {&body, &hat, &smoker}) Enclose(solids);
  casters.push_back(Limb(p.elbow[1], p.wrist[1], 0.06f, 0.05f, Stuff::kGlove));
  Enclose(&casters);
}

void DrawBody(const Camera& camera, const Studio& studio, const Pose& pose, const Figure& figure, Picture* picture) {
  Folds folds = [&](V3 p, Stuff stuff) {
    if (stuff != Stuff::kSuit) return 0.0f;
    p.x -= pose.sway * Clamp01(p.y);
    return studio.Fold(p);
  };
  DrawSolids(camera, figure.body, figure.casters, folds, MakeShader(studio, pose), picture);
}

void DrawHat(const Camera& camera, const Studio& studio, const Pose& pose, const Figure& figure, Picture* picture) {
  DrawSolids(camera, figure.hat, figure.casters, NoFold, MakeShader(studio, pose), picture);
}

void DrawSmoker(const Camera& camera, const Studio& studio, const Pose& pose, const Figure& figure, Picture* picture) {
  DrawSolids(camera, figure.smoker, figure.casters, NoFold, MakeShader(studio, pose), picture);
}

}  // namespace selvage::scene
