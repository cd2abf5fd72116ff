// Whether a sample box holds nothing but noise.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// How rough the box is (root of the mean energy inside 8x8 blocks, all planes
// together, their means taken off) over how rough the evenest quarter of its blocks
// is. About 1.1 to 1.4 for noise of any kind, more where something else is in the
// box. 1 where there are fewer than four blocks, or samples that are not finite.
// REQUIRES: the planes cover the box.
double BoxTexture(const std::vector<const Plane*>& planes, const Rect& box);

// What to tell the artist of a texture beyond `most`; nothing below.
std::optional<std::string> TextureWarning(const Rect& box, double texture, double most);

}  // namespace selvage::worker
