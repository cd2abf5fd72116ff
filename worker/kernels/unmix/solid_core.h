// Solid foreground for sure, found without anybody's help. Recipe in worker/kernels/README.md.
#pragma once

#include <functional>
#include <optional>

#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {

// Keys and core are found on cells of CoreGrid.
struct AxisKeys {
  // 1 - (soft color . axis) / (screen . axis): about 0 on screen, 1 on greys, more on
  // hues opposite to the screen.
  Plane key;
  // Share of the screen's hue in the colour's brightness, 1 on screen; and without
  // most of its noise.
  Plane tint, soft_tint;
  // Dark things that show the screen between their threads, like a mesh: never core.
  Bitmap veil;
};
AxisKeys KeyAlongAxis(const ScreenView& view);

struct CoreRules {
  // Key from which a pixel is solid by itself.
  float solid = 0.85f;
  // Whether flat parts that the core encloses are filled.
  bool fill = true;
};
// `sure` and what comes back are bits of pixels. nullopt when `stopped` ended the work.
std::optional<Bitmap> FindCore(const AxisKeys& keys, const Grid& grid, const Bitmap& sure, const CoreRules& rules,
                               const std::function<bool()>& stopped);

// What else is solid by a matte: next to 1, or in a narrow slit of `core` and hardly in
// the screen's hue, or half open but varying from place to place as a lit solid does
// (`evidence` as by ShadingEvidence). `near_drawn`: less is asked for, as of what lies near a mask.
Bitmap FindCoreInMatte(const Plane& alpha, const AxisKeys& keys, const Plane& evidence, const Bitmap& core,
                       const Bitmap& sure, bool fill, bool near_drawn);

}  // namespace selvage::worker
