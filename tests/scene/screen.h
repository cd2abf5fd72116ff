// The green (or blue, or yellow-green) screen: wall, curve, floor, crosses.
#pragma once

#include <array>
#include <string>

#include "tests/scene/picture.h"
#include "tests/scene/solids.h"

namespace selvage::scene {

enum class ScreenHue { kGreen, kBlue, kYellowGreen };

class Screen {
 public:
  Screen(ScreenHue hue, uint32_t seed);

  // Light that comes off the bare screen at a place of the picture plane.
  V3 At(float sx, float sy) const;
  // World point of the screen there, and its normal.
  void Meet(float sx, float sy, V3* p, V3* normal) const;
  // Hue of the light it throws back on things: its paint, brightest channel 1.
  V3 bounce() const { return bounce_; }
  // Paint under full light.
  V3 paint() const { return paint_; }

 private:
  struct Wrinkle {
    float x, s, angle, length, width, depth;
  };

  float Cloth(float x, float s) const;
  float Crosses(float x, float y, float* lighter) const;

  V3 paint_, bounce_, tape_;
  uint32_t seed_;
  std::array<Wrinkle, 26> wrinkles_;
};

// The bare screen through the lens (not yet softened), alpha 1.
Picture DrawScreen(const Camera& camera, const Screen& screen);

// What the figure's shadow leaves of the screen's light, the same for R G B;
// `contact` are the soles, which also close off the floor around them.
Picture DrawShadow(const Camera& camera, const Screen& screen, const std::vector<Solid>& casters);

}  // namespace selvage::scene
