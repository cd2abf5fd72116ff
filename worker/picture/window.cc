#include "worker/picture/window.h"

#include <algorithm>

namespace selvage::worker {

Rect ToRect(const Window& w) {
  return {w.x(), w.y(), w.x() + static_cast<int>(w.width()), w.y() + static_cast<int>(w.height())};
}

Window ToWindow(const Rect& r) {
  Window w;
  w.set_x(r.x0);
  w.set_y(r.y0);
  w.set_width(static_cast<uint32_t>(std::max(0, r.width())));
  w.set_height(static_cast<uint32_t>(std::max(0, r.height())));
  return w;
}

}  // namespace selvage::worker
