// How the figure's materials take the studio's light.
#pragma once

#include "tests/scene/screen.h"

namespace selvage::scene {

class Studio {
 public:
  Studio(const Screen& screen, uint32_t seed) : paint_(screen.paint()), bounce_(screen.bounce()), seed_(seed) {}

  // Light that leaves the surface towards the camera. `cloth` is the point in
  // coordinates that move with the figure.
  V3 Shade(const Surface& s, V3 cloth) const;
  // What polished steel sees in a direction: screen, floor, lamps, dark room.
  V3 Reflected(V3 direction, float height) const;
  // Folds of the suit, metres outward.
  float Fold(V3 cloth) const;
  // Diffuse light on a surface, before its own colour.
  V3 Light(const Surface& s) const;

  const V3& bounce() const { return bounce_; }

 private:
  V3 Suit(const Surface& s, V3 cloth) const;
  V3 Skin(const Surface& s, V3 cloth) const;
  V3 Steel(const Surface& s, V3 cloth) const;
  V3 Boot(const Surface& s, V3 cloth) const;

  V3 paint_, bounce_;
  uint32_t seed_;
};

// Direction back to the camera.
V3 ToCamera();

}  // namespace selvage::scene
