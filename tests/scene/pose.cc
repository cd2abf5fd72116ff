#include "tests/scene/pose.h"

namespace selvage::scene {
namespace {

constexpr float kTurn = 6.2831853f;

// The arm with the tool: a slow lift, a fast stroke down within four frames, a
// small rebound. Radians above the horizontal, once a second.
float SwingAngle(float seconds) {
  float q = seconds - std::floor(seconds);
  constexpr float kLow = -1.15f, kHigh = 0.95f;
  if (q < 0.42f) return Mix(kLow, kHigh, Step01(0.02f, 0.42f, q));
  if (q < 0.60f) return Mix(kHigh, kLow - 0.12f, Step01(0.42f, 0.60f, q));
  return kLow - 0.12f * std::cos((q - 0.60f) * kTurn * 2) * std::exp(-6 * (q - 0.60f));
}

void Legs(float sway, float step, Pose* pose) {
  for (int side = 0; side < 2; ++side) {
    float s = side == 0 ? -1.0f : 1.0f;
    // The leg that carries no weight bends a little.
    float bend = 0.02f + 0.035f * std::max(0.0f, -s * step);
    pose->hip[side] = {sway + 0.10f * s, 0.92f, 0.0f};
    pose->knee[side] = {0.55f * sway + 0.135f * s, 0.50f, 0.03f + bend};
    pose->ankle[side] = {0.155f * s, 0.11f, side == 0 ? 0.03f : -0.05f};
    pose->toe[side] = {0.215f * s, 0.045f, pose->ankle[side].z + 0.17f};
  }
}

}  // namespace

Pose PoseAt(const Shot& shot, float frame) {
  Pose pose;
  float t = (frame - 1001.0f) / 24.0f;
  float step = std::sin(kTurn * t / 1.7f);
  float sway = 0.028f * step;
  float breath = 0.004f * std::sin(kTurn * t / 3.1f);
  pose.sway = sway;
  Legs(sway, step, &pose);

  pose.pelvis = {sway, 0.97f, 0.0f};
  pose.chest = {0.8f * sway + 0.01f, 1.28f + breath, 0.0f};
  pose.neck = {0.6f * sway, 1.47f + breath, 0.0f};
  pose.head = {0.45f * sway - 0.01f, 1.60f + breath, 0.03f};
  pose.head_roll = 0.05f * std::sin(kTurn * t / 2.3f + 0.6f);

  for (int side = 0; side < 2; ++side) {
    float s = side == 0 ? -1.0f : 1.0f;
    pose.shoulder[side] = pose.chest + V3{0.185f * s, 0.115f + 0.01f * s * step, -0.01f};
  }
  // The arm with the smoker, picture left: bent, hardly moving.
  float bob = 0.014f * std::sin(kTurn * t / 1.7f + 1.0f);
  pose.elbow[0] = pose.shoulder[0] + V3{-0.115f, -0.255f + 0.3f * bob, -0.02f};
  pose.wrist[0] = pose.elbow[0] + V3{-0.135f, -0.06f + bob, 0.22f};
  pose.smoker = pose.wrist[0] + V3{-0.155f, -0.085f, 0.05f};
  pose.smoker_axis = Unit({-0.10f + 0.8f * bob, 1.0f, 0.06f});

  // The arm with the tool.
  float swing = SwingAngle(t);
  float lift = 0.07f * Step01(-1.0f, 1.0f, swing);
  pose.elbow[1] = pose.shoulder[1] + V3{0.145f + 0.4f * lift, -0.215f + lift, 0.03f};
  V3 fore = Unit({std::cos(swing), std::sin(swing), 0.45f});
  pose.wrist[1] = pose.elbow[1] + fore * 0.235f;
  float wrist = swing + 0.25f + 0.2f * swing;
  V3 along = Unit({std::cos(wrist), std::sin(wrist), 0.2f});
  pose.tool_grip = pose.wrist[1] + fore * 0.05f;
  pose.tool_tip = pose.tool_grip + along * 0.29f;

  // Once through in the length of the shot; a short shot sees only the start.
  float u = (frame - static_cast<float>(shot.first)) / static_cast<float>(std::max(24, shot.frames));
  pose.panel = {Mix(1.95f, -0.72f, u), 1.62f + 0.012f * std::sin(kTurn * t * 1.3f), 0.75f};
  pose.panel_roll = 0.06f * std::sin(kTurn * t / 1.4f);
  return pose;
}

}  // namespace selvage::scene
