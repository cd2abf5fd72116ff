// The premultiplied picture with light but no coverage that premultiply and
// unpremultiply are checked with.
#pragma once

// Before OpenImageIO, which undefines macros that protobuf needs.
#include "worker/picture/image.h"

#include <OpenImageIO/imagebuf.h>
#include <OpenImageIO/imagebufalgo.h>

#include <cstdlib>
#include <optional>
#include <string>

namespace selvage::worker {

// nullopt when SELVAGE_TEST_DATA is unset.
inline std::optional<OIIO::ImageBuf> CandleGlass() {
  const char* data = std::getenv("SELVAGE_TEST_DATA");
  if (data == nullptr) return std::nullopt;
  OIIO::ImageBuf buffer(std::string(data) + "/exr/CandleGlass.exr");
  if (!buffer.read(0, 0, true, OIIO::TypeDesc::FLOAT)) return std::nullopt;
  return buffer;
}

// R, G, B and A of it, with its own origin moved to (0, 0).
inline Picture ToPicture(const OIIO::ImageBuf& buffer, Kind kind) {
  const OIIO::ImageSpec& spec = buffer.spec();
  const Rect rect{0, 0, spec.width, spec.height};
  Picture picture;
  picture.kind = kind;
  for (const char* name : {"R", "G", "B", "A"}) {
    Plane plane(rect);
    const int channel = spec.channelindex(name);
    for (int y = 0; y < rect.y1; ++y) {
      for (int x = 0; x < rect.x1; ++x) plane.at(x, y) = buffer.getchannel(x + spec.x, y + spec.y, 0, channel);
    }
    picture.planes.push_back(std::move(plane));
  }
  return picture;
}

}  // namespace selvage::worker
