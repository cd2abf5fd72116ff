// The stack that keys the demo shot, as an artist would have built it.
#pragma once

#include <string>

#include "tests/scene/screen.h"
#include "tests/scene/pose.h"

namespace selvage::scene {

// Protobuf text format; files are looked for in "shot/" beside the stack.
std::string DemoStack(const Shot& shot, ScreenHue hue);

}  // namespace selvage::scene
