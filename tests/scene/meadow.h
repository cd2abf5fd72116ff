// The background: a meadow with hives, out of focus a little.
#pragma once

#include "tests/scene/picture.h"

namespace selvage::scene {

Picture DrawMeadow(int width, int height, uint32_t seed);

}  // namespace selvage::scene
