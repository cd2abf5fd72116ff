// Rectangles as messages carry them.
#pragma once

#include "proto/cache.pb.h"
#include "worker/picture/image.h"

namespace selvage::worker {

Rect ToRect(const Window& w);
Window ToWindow(const Rect& r);

}  // namespace selvage::worker
