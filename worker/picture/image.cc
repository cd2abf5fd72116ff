#include "worker/picture/image.h"

#include "proto/options.pb.h"
#include "worker/picture/buffer_pool.h"

namespace selvage::worker {

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

}  // namespace selvage::worker
