// The beekeeper: solids of a pose, and the layers that are drawn of them.
#pragma once

#include "tests/scene/pose.h"
#include "tests/scene/shading.h"

namespace selvage::scene {

struct Figure {
  explicit Figure(const Pose& pose);

  // Suit, boots, head, upper arms, the glove at the smoker.
  std::vector<Solid> body;
  std::vector<Solid> hat;
  std::vector<Solid> smoker;
  // All of them and a stand-in for the swinging forearm: what throws shadows.
  std::vector<Solid> casters;
};

void DrawBody(const Camera& camera, const Studio& studio, const Pose& pose, const Figure& figure, Picture* picture);
void DrawHat(const Camera& camera, const Studio& studio, const Pose& pose, const Figure& figure, Picture* picture);
void DrawSmoker(const Camera& camera, const Studio& studio, const Pose& pose, const Figure& figure, Picture* picture);

// A point near the head in the head's own coordinates.
V3 InHead(const Pose& pose, V3 p);
V3 FromHead(const Pose& pose, V3 p);

// Hat and veil, metres, in the head's coordinates.
inline constexpr float kBrimHeight = 0.085f, kBrimRadius = 0.215f;

}  // namespace selvage::scene
