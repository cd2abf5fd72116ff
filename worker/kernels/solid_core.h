// Solid foreground for sure, found without anybody's help. Recipe in DEVELOPERS.md.
#pragma once

#include <functional>
#include <optional>

#include "worker/kernels/screen_view.h"

namespace selvage {

struct AxisKeys {
  // 1 - (soft color . axis) / (screen . axis): about 0 on screen, 1 on greys, more on
  // hues opposite to the screen.
  Plane key;
  // Share of the screen's hue in the colour's brightness, 1 on screen.
  Plane tint;
};
AxisKeys KeyAlongAxis(const ScreenView& view, const Rgb& denoised);

struct CoreRules {
  // Key from which a pixel is solid by itself.
  float solid = 0.85f;
  // Whether flat parts that the core encloses are filled.
  bool fill = true;
};
// nullopt when `stopped` ended the work.
std::optional<Bitmap> FindCore(const AxisKeys& keys, const Bitmap& sure, const CoreRules& rules,
                               const std::function<bool()>& stopped);

}  // namespace selvage
