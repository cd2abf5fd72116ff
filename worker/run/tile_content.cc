#include "worker/run/tile_content.h"

#include <cmath>
#include <cstring>
#include <limits>

#include "worker/kernels/pixels/half.h"
#include "worker/picture/window.h"

namespace selvage::worker {
namespace {

// As FloatToStored, for results in binary32.
float Finite(float v) {
  if (std::isnan(v)) return 0;
  const float limit = std::numeric_limits<float>::max();
  return std::min(std::max(v, -limit), limit) + 0.0f;
}

// All samples equal?
bool AllEqual(const std::string& content, size_t sample) {
  return content.size() <= sample || std::memcmp(content.data(), content.data() + sample, content.size() - sample) == 0;
}

}  // namespace

Manifest ShapeOf(Kind kind, const Rect& window, bool full_precision) {
  Manifest shape;
  shape.set_kind(kind);
  *shape.mutable_window() = ToWindow(window);
  shape.set_full_precision(full_precision);
  if (kind == MATTE) {
    shape.add_channel("A");
  } else {
    for (const char* c : {"R", "G", "B", "A"}) shape.add_channel(c);
  }
  return shape;
}

TileLayout LayoutOf(const Rect& area, bool full_precision) {
  return {.sample_bytes = full_precision ? size_t{4} : size_t{2}, .row_samples = static_cast<size_t>(area.width())};
}

MadeTile MakeTile(const Plane& plane, const Rect& area, bool full_precision) {
  const size_t sample = full_precision ? 4 : 2;
  std::string content(plane.constant ? sample : area.area() * sample, '\0');
  if (plane.constant) {
    if (full_precision) {
      const float v = Finite(*plane.constant);
      std::memcpy(content.data(), &v, 4);
    } else {
      FloatToStored(&*plane.constant, reinterpret_cast<uint16_t*>(content.data()), 1);
    }
  } else {
    for (int y = area.y0; y < area.y1; ++y) {
      const float* from = plane.row(y) + (area.x0 - plane.rect().x0);
      const size_t at = static_cast<size_t>(y - area.y0) * area.width();
      if (full_precision) {
        float* to = reinterpret_cast<float*>(content.data()) + at;
        for (int x = 0; x < area.width(); ++x) to[x] = Finite(from[x]);
      } else {
        FloatToStored(from, reinterpret_cast<uint16_t*>(content.data()) + at, area.width());
      }
    }
  }
  MadeTile made;
  if (!AllEqual(content, sample)) {
    made.ref.digest = Sha256(content);
    made.content = std::make_shared<const std::string>(std::move(content));
    return made;
  }
  made.ref.constant = true;
  if (full_precision) {
    std::memcpy(&made.ref.value, content.data(), 4);
  } else {
    uint16_t half;
    std::memcpy(&half, content.data(), 2);
    made.ref.value = HalfToFloat(half);
  }
  return made;
}

}  // namespace selvage::worker
