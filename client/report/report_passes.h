// What a report measures when it isn't told.
#pragma once

#include <string>
#include <vector>

#include "proto/stack.pb.h"

namespace selvage::client {

// The foregrounds that deliverables are made from (passes that put a matte into a
// picture), then the mattes that are delivered and not yet measured with one of
// those. Where there are none, what is delivered with an alpha of its own.
// A foreground that is merged within its own pass is measured by its matte alone:
// its colour is no longer to be seen.
std::vector<std::string> PassesToReport(const Stack& stack);

// The screen that the stack's first despill works against, as far as the stack
// says so; else green.
Screen::Hue ScreenToReport(const Stack& stack);

}  // namespace selvage::client
