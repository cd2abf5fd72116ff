// Where a matte has an edge, and what another frame's matte has there.
#pragma once

#include <algorithm>
#include <cstdint>

#include "worker/kernels/motion/motion.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Within 0..1; NaN becomes 0.
inline float ClampedMatte(float v) { return v >= 0 ? std::min(v, 1.0f) : 0.0f; }

// 1 for each pixel of row y where a value of its 3x3 is above 0.004 and one below
// 0.996, and not all are equal: elsewhere nothing flickers.
void EdgeRow(const Plane& matte, int y, uint8_t* edge);

// The clamped matte at (x, y) + v, Catmull-Rom; edge pixels repeat.
float SampleAlong(const Plane& matte, int x, int y, const MotionVector& v);

}  // namespace selvage::worker
