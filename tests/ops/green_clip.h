// Frames of a real clip before a yellow-green wall, for tests (320 x 192).
#pragma once

#include <cmath>
#include <cstdlib>
#include <optional>
#include <stdexcept>
#include <string>
#include <vector>

#include "worker/picture/image.h"
// After protobuf, whose headers use the macros that this one takes away.
#include <OpenImageIO/imageio.h>

namespace selvage::worker {

// Scene-linear; nullopt when SELVAGE_TEST_DATA is unset.
inline std::optional<Picture> ReadGreenClip(int frame) {
  const char* data = std::getenv("SELVAGE_TEST_DATA");
  if (data == nullptr || *data == 0) return std::nullopt;
  const std::string path = std::string(data) + "/greenscreen/clip_a/clip_a." + std::to_string(frame) + ".png";
  auto file = OIIO::ImageInput::open(path);
  if (!file) throw std::runtime_error("cannot read " + path);
  const int width = file->spec().width, height = file->spec().height, channels = file->spec().nchannels;
  std::vector<float> samples(static_cast<size_t>(width) * height * channels);
  file->read_image(0, 0, 0, channels, OIIO::TypeDesc::FLOAT, samples.data());
  Picture picture;
  picture.kind = OPAQUE;
  const Rect rect{0, 0, width, height};
  for (int c = 0; c < 3; ++c) {
    Plane plane(rect);
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) {
        const float v = samples[(static_cast<size_t>(y) * width + x) * channels + c];
        plane.at(x, y) = v <= 0.04045f ? v / 12.92f : std::pow((v + 0.055f) / 1.055f, 2.4f);
      }
    }
    picture.planes.push_back(plane);
  }
  picture.planes.push_back(Plane::Filled(rect, 1));
  return picture;
}

inline std::vector<float> MeanColor(const Picture& picture, const Rect& box) {
  std::vector<float> mean;
  for (const Plane& plane : picture.planes) {
    double sum = 0;
    for (int y = box.y0; y < box.y1; ++y) {
      for (int x = box.x0; x < box.x1; ++x) sum += plane.at(x, y);
    }
    mean.push_back(static_cast<float>(sum / box.area()));
  }
  return mean;
}

}  // namespace selvage::worker
