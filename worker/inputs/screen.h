// The screen colour that keys and despill work against, resolved for one frame.
#pragma once

#include "absl/status/statusor.h"
#include "proto/values.pb.h"
#include "worker/chain/op.h"

namespace selvage::worker {

struct ScreenColor {
  // Linear red, green and blue of the whole frame; not used with a plate.
  float rgb[3] = {0, 1, 0};
  // Colour pixel by pixel, over the rectangle being made; belongs to the Inputs.
  const Picture* plate = nullptr;

  // Where the colour is largest: 0 red, 1 green, 2 blue. Of equal ones green
  // comes first, then blue. REQUIRES: no plate.
  int Channel() const;
};

// `screen` is the operator's field of that name: a measured box and a plate
// are looked up at the ports "screen.sample" and "screen.clean_plate" (or those of
// another `field`). Not set: GREEN.
// Errors: INTERNAL a port is not connected.
absl::StatusOr<ScreenColor> ResolveScreen(const Screen& screen, const Inputs& in, const std::string& field = "screen");

// What a key says when the screen has no hue: INVALID_ARGUMENT with the colour.
absl::Status NoHueError(const ScreenColor& screen);

}  // namespace selvage::worker
