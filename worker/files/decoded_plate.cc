#include "worker/files/decoded_plate.h"

#include "worker/kernels/pixels/half.h"

namespace selvage::worker {

size_t DecodedPlate::bytes() const {
  size_t bytes = 256;
  for (const Channel& channel : channels) bytes += channel.samples.size() * sizeof(uint16_t);
  return bytes;
}

Picture DecodedPlate::Read(const Rect& rect) const {
  Picture picture;
  picture.kind = kind;
  for (const Channel& channel : channels) {
    if (channel.constant) {
      picture.planes.push_back(Plane::Filled(rect, *channel.constant));
      continue;
    }
    Plane plane(rect);
    for (int y = rect.y0; y < rect.y1; ++y) {
      const size_t at = static_cast<size_t>(y - window.y0) * window.width() + (rect.x0 - window.x0);
      HalfToFloat(channel.samples.data() + at, plane.row(y), rect.width());
    }
    picture.planes.push_back(std::move(plane));
  }
  return picture;
}

}  // namespace selvage::worker
