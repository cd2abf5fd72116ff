// One frame of the shot with its exact truth.
#pragma once

#include <vector>

#include "tests/scene/layers.h"

namespace selvage::scene {

struct FrameTruth {
  // Premultiplied foreground as seen, spill and all, and its coverage in a.
  Picture foreground;
  // The bare screen, and what the figure's shadow leaves of its light (0..1).
  Picture clean, shadow;
};

// What a pixel shows most of: of the foreground whatever covers at least 0.3 % of it.
enum class Part { kScreen, kShadow, kMesh, kHair, kSteel, kSuit, kBoots, kHat, kTool, kPanel };
inline constexpr const char* kPartNames[] = {"screen", "shadow", "mesh", "hair", "steel",
                                             "suit",   "boots",  "hat",  "tool", "panel"};

// Draws what never changes once, then any frame of the shot. Thread-safe.
class Painter {
 public:
  Painter(const Shot& shot, ScreenHue hue, uint32_t seed);

  FrameTruth Draw(int frame) const;
  // Row by row.
  std::vector<Part> DrawParts(int frame) const;
  const Picture& clean() const { return clean_; }
  const Shot& shot() const { return shot_; }
  uint32_t seed() const { return seed_; }

 private:
  Shot shot_;
  uint32_t seed_;
  Camera camera_;
  Screen screen_;
  Studio studio_;
  Picture clean_;
};

// The noise-free plate: foreground + (1 - a) * clean * shadow.
Picture Compose(const FrameTruth& truth);

// Softness of the lens in pixels at that height of picture.
float LensSigma(int height);

}  // namespace selvage::scene
