// Which channels of an image file are a plate's picture. The planner says what is
// wrong with a choice, the worker reads what was chosen: both ask here.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "proto/farm.pb.h"
#include "proto/stack.pb.h"

namespace selvage {

// Positions in a part's list of channels.
struct PlateChannels {
  // Red, green, blue; three times the same for a grey picture; empty for a matte.
  std::vector<int> color;
  // Alpha, or the matte. -1: none.
  int alpha = -1;
};

// The picture in a layer; "" stands for the channels without a layer.
// Errors: INVALID_ARGUMENT there is none, in words that follow the file's name.
absl::StatusOr<PlateChannels> FindPlateChannels(const std::vector<std::string>& channels, absl::string_view layer,
                                                Plate::Alpha alpha);

struct PlateChoice {
  uint32_t part = 0;
  std::string layer;
};

// What the plate's `part` and `layer` choose, or the only picture there is.
// Errors: INVALID_ARGUMENT there is none or more than one, in words that follow the
// file's name, with what there is to choose from.
absl::StatusOr<PlateChoice> ChoosePicture(const Plate& plate, const PlateFacts& facts);

}  // namespace selvage
