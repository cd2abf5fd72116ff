// Layers that are not solids: hair, veil, the swinging arm and tool, the panel.
#pragma once

#include "tests/scene/figure.h"

namespace selvage::scene {

// Loose strands, most of them thinner than a pixel: coverage is the strand's
// width seen through the pixel.
enum class HairPart { kInside, kOutside };
void DrawHair(const Camera& camera, const Studio& studio, const Shot& shot, float frame, uint32_t seed, HairPart part,
              Picture* picture);

// Mesh from the brim to the shoulders. Threads are filtered to the pixel.
enum class VeilSide { kBack, kFront };
void DrawVeil(const Camera& camera, const Studio& studio, const Pose& pose, VeilSide side, Picture* picture);

// Motion over the shutter, by many time samples.
void DrawSwing(const Camera& camera, const Studio& studio, const Shot& shot, float frame, Picture* picture);
void DrawPanel(const Camera& camera, const Studio& studio, const Shot& shot, float frame, Picture* picture);

// Share of a frame for which the shutter is open.
inline constexpr float kShutter = 0.5f;

}  // namespace selvage::scene
