// A clean plate from pictures with something in front. Recipe in worker/kernels/README.md.
#pragma once

#include <array>
#include <functional>
#include <optional>
#include <vector>

#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {

struct PlateFrame {
  Rgb color;
  // Bare screen whatever it looks like, and never screen.
  Bitmap bare, cover;
};

// The screen behind the first frame, of frames over one rectangle from a camera
// that stands still, in a scale that brings the screen near 0.5; `color` is the
// screen's. nullopt when `stopped` ended the work.
std::optional<Rgb> FitPlate(const std::vector<PlateFrame>& frames, const std::array<float, 3>& color, int degree,
                            const std::function<bool()>& stopped);

}  // namespace selvage::worker
