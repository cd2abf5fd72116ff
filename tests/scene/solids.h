// Solids as signed distances, drawn by marching along the camera's rays.
#pragma once

#include <functional>
#include <vector>

#include "tests/scene/picture.h"

namespace selvage::scene {

enum class Stuff : int8_t { kNothing = -1, kSuit, kBoot, kSkin, kGlove, kHair, kHat, kSteel, kLeather, kWood };

struct Solid {
  enum Form {
    // From a (radius ra) to b (radius rb).
    kLimb,
    // Middle a, radii b.
    kEllipsoid,
    // Axis from a to b, radii ra and rb, edges rounded by `round`.
    kCan,
    // Middle a, half sides b, rolled about z by ra, edges rounded by `round`.
    kBox,
  };
  Form form = kLimb;
  V3 a, b;
  float ra = 0, rb = 0;
  Stuff stuff = Stuff::kSuit;
  // Depth is multiplied by this: above 1 the solid is flatter than it is wide.
  float flat = 1;
  float round = 0.01f;
  // The suit's parts run into each other within this distance.
  float blend = 0;
  // A ball that holds it, set by Enclose.
  V3 middle = {};
  float reach = 1e9f;
};

// Sets the balls, by which far solids are passed over.
void Enclose(std::vector<Solid>* solids);

// Distance of p to one solid, metres (an underestimate where it is flattened).
float Distance(const Solid& solid, V3 p);

struct Near {
  float distance = 1e9f;
  Stuff stuff = Stuff::kNothing;
};
Near Nearest(const std::vector<Solid>& solids, V3 p);

// What a shader is told of the point that a ray meets.
struct Surface {
  V3 p, normal;
  Stuff stuff = Stuff::kNothing;
  // Light that arrives from the main lamp, and openness to the surroundings.
  float lit = 1, open = 1;
};
using Shader = std::function<V3(const Surface&)>;
// Height of cloth folds at p, metres outward; |height| at most kFoldLimit.
using Folds = std::function<float(V3 p, Stuff stuff)>;
inline constexpr float kFoldLimit = 0.02f;

// Direction to the main lamp.
V3 MainLamp();
// Share of the main lamp that reaches p past the solids: 0 (umbra) to 1.
// `spread` is the light's size as a tangent.
float LampShare(const std::vector<Solid>& casters, V3 p, float spread);

// Draws the solids over `picture`. Pixels at edges are sampled 4 x 4.
void DrawSolids(const Camera& camera, const std::vector<Solid>& solids, const std::vector<Solid>& casters,
                const Folds& folds, const Shader& shader, Picture* picture);

}  // namespace selvage::scene
