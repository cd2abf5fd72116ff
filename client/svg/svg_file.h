// Shapes that were drawn elsewhere: SVG files, read and written.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "proto/stack.pb.h"

namespace selvage::client {

struct SvgShape {
  // Absolute path data in pixels, all transforms resolved.
  std::string path;
  bool even_odd = false;
};

// A group directly below the root: named by its label, else its id. "" holds what lies in none.
struct SvgLayer {
  std::string name;
  std::vector<SvgShape> shapes;
};

struct SvgDrawing {
  std::vector<SvgLayer> layers;
  // What was left out, in words.
  std::vector<std::string> left_out;
};

// `format`: the picture that the drawing covers; without one a unit of the drawing is a pixel,
// or what its `width` in pixels says. At most 64 MiB.
// Errors: INVALID_ARGUMENT line:column and what is wrong.
absl::StatusOr<SvgDrawing> ReadSvg(absl::string_view text, const Format& format);

// Masks made of layers: those whose names end in a frame of the stack ("boots 1012") are the
// key frames of one mask. `otherwise`: the name of a mask whose layers have none.
// Errors: INVALID_ARGUMENT key frames with other shapes, in words.
absl::StatusOr<std::vector<Mask>> MasksOf(const SvgDrawing& drawing, const FrameRange& frames,
                                          const std::string& otherwise);

// One layer for each key frame, with every shape as it is there; ReadSvg reads it again.
// Errors: INVALID_ARGUMENT a path of the mask is wrong.
absl::StatusOr<std::string> WriteSvg(const Mask& mask, const Format& format);

}  // namespace selvage::client
