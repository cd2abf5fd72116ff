// Where everything is at a moment of the shot. Metres and seconds.
#pragma once

#include "tests/scene/maths.h"

namespace selvage::scene {

struct Shot {
  int width = 960, height = 540;
  int first = 1001, frames = 24;
};

// Left and right are the picture's.
struct Pose {
  V3 hip[2], knee[2], ankle[2], toe[2];
  V3 pelvis, chest, neck, head;
  V3 shoulder[2], elbow[2], wrist[2];
  // Roll of head and hat, radians, positive to the picture's right.
  float head_roll = 0;
  // Bottom of the smoker's can, its axis, and the side its bellows are on.
  V3 smoker, smoker_axis;
  // Hive tool: where the hand holds it, and its tip.
  V3 tool_grip, tool_tip;
  // Middle of the hive frame that crosses, and its roll.
  V3 panel;
  float panel_roll = 0;
  // How far the body's cloth has moved with the sway (for textures that stick).
  float sway = 0;
};

inline constexpr float kPanelHalfWidth = 0.235f, kPanelHalfHeight = 0.125f;

// `frame` may lie between frames: the shutter is open from frame to frame + 0.5.
Pose PoseAt(const Shot& shot, float frame);

}  // namespace selvage::scene
