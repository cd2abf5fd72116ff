// Runs the operators that give files, and reads their bytes back.
#pragma once

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "tests/testing/op_tester.h"
#include "worker/chain/op.h"

// After protobuf, whose byte swaps it would break.
#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>

namespace selvage::worker {

inline Input MakeInput(const std::string& port, Picture picture) {
  Input input;
  input.port = port;
  input.kind = picture.kind;
  input.window = picture.rect();
  input.picture = std::move(picture);
  return input;
}

inline absl::StatusOr<std::string> FileOf(const std::string& op, const google::protobuf::Message& params,
                                          const Rect& format, std::vector<Input> inputs,
                                          const TaskSpec* task = nullptr) {
  OpContext context;
  context.format = format;
  context.task = task;
  return FindOp(op)->RenderBlob(context, params, Inputs(std::move(inputs)));
}

// A colour of one value everywhere.
inline Picture Solid(Kind kind, const Rect& rect, std::vector<float> values) {
  Picture picture;
  picture.kind = kind;
  for (float v : values) picture.planes.push_back(Plane::Filled(rect, v));
  return picture;
}

// What OpenImageIO reads from these bytes; colour is not divided or multiplied.
struct ReadBack {
  OIIO::ImageSpec spec;
  std::vector<float> samples;  // interleaved, over the data window

  explicit ReadBack(const std::string& format, const std::string& bytes) {
    auto in = OIIO::ImageInput::create(format);
    OIIO::Filesystem::IOMemReader reader(const_cast<char*>(bytes.data()), bytes.size());
    OIIO::ImageSpec config;
    config["oiio:UnassociatedAlpha"] = 1;
    in->set_ioproxy(&reader);
    if (!in->open("memory." + format, spec, config)) {
      ADD_FAILURE() << in->geterror();
      return;
    }
    samples.resize(spec.image_pixels() * spec.nchannels);
    EXPECT_TRUE(in->read_image(0, 0, 0, spec.nchannels, OIIO::TypeFloat, samples.data())) << in->geterror();
  }
  int Channel(const std::string& name) const {
    for (int c = 0; c < spec.nchannels; ++c) {
      if (spec.channelnames[c] == name) return c;
    }
    return -1;
  }
  // Absolute coordinates, as in the file.
  float At(int x, int y, int channel) const {
    const bool inside = x >= spec.x && y >= spec.y && x < spec.x + spec.width && y < spec.y + spec.height;
    EXPECT_TRUE(inside && channel >= 0 && channel < spec.nchannels) << x << ", " << y << ", channel " << channel;
    if (!inside || channel < 0 || channel >= spec.nchannels) return -1;
    return samples[(static_cast<size_t>(y - spec.y) * spec.width + (x - spec.x)) * spec.nchannels + channel];
  }
  float At(int x, int y, const std::string& name) const { return At(x, y, Channel(name)); }
};

}  // namespace selvage::worker
