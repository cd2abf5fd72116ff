// The demo stack's masks: loose outlines as a hand would draw them around what
// it sees, moved by key frames every few frames. They know the pose roughly, as
// an eye does, and never the true coverage.
#pragma once

#include <string>

#include "tests/scene/pose.h"

namespace selvage::scene {

// All `mask { ... }` entries, in protobuf text format.
std::string DrawnMasks(const Shot& shot);

}  // namespace selvage::scene
