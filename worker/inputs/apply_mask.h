// A mask laid over a picture.
#pragma once

#include <cstddef>

#include "worker/picture/image.h"

namespace selvage::worker {

// From a row of the picture and one of the mask to one of the result.
using MaskRow = void (*)(const float* picture, const float* mask, float* out, size_t n);

// Applies `row` to a matte, to all channels of premultiplied colour and to the alpha of
// straight colour, whose colour stays as it is.
void ApplyMask(const Picture& picture, const Plane& mask, MaskRow row, Picture* out);

}  // namespace selvage::worker
