#include "worker/image.h"

#include "worker/buffer_pool.h"

namespace selvage {

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

Plane::Plane(const Rect& rect) : rect_(rect) {
  if (rect.empty()) return;
  stride_ = (rect.width() + 15) / 16 * 16;
  data_ = NewBuffer(static_cast<size_t>(stride_) * rect.height());
}

Plane Plane::Filled(const Rect& rect, float value) {
  Plane p(rect);
  if (!rect.empty()) std::fill_n(p.row(rect.y0), static_cast<size_t>(p.stride_) * rect.height(), value);
  p.constant = value;
  return p;
}

int ChannelCount(Kind kind) {
  switch (kind) {
    case MATTE:
      return 1;
    case STRAIGHT:
    case PREMULTIPLIED:
    case OPAQUE:
      return 4;
    default:
      return 0;
  }
}

}  // namespace selvage
