// Shadows on the screen, and what only looks like one.
#pragma once

#include "worker/kernels/geometry/bitmap.h"
#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {

// Leaves the shadows of `shade`, pixels in the screen's hue. What darkens steadily up to
// something else is a smear of that or its soft edge, what is in `thin` a hair: they stay only
// where nothing but the screen's own colour is in them and they come to rest on a floor.
// `ratio`: of each pixel's light to the screen's. `lit`: screen in its own light. All of one size.
void KeepShadows(const ColorRows& color, const ColorRows& screen, const NoiseTerms& noise, const Plane& ratio,
                 const Bitmap& lit, const Bitmap& thin, Bitmap* shade);

}  // namespace selvage::worker
