// The colour of the screen, found in the picture itself.
#pragma once

#include <array>
#include <optional>

#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {

// Most frequent saturated hue among the blocks of 4x4 pixels, smooth and bright
// ones first: mode of the histogram of (r, g) / (r + g + b), then mean shift; the
// medians of the blocks within 0.04 of it. `channel` 0..2: only blocks whose
// largest channel that is. Nothing if no block has a hue.
std::optional<std::array<float, 3>> FindScreenColor(const Rgb& color, std::optional<int> channel);

// The same medians near a colour that is given; that colour if there are none.
std::array<float, 3> ScreenColorNear(const Rgb& color, const std::array<float, 3>& given);

}  // namespace selvage::worker
