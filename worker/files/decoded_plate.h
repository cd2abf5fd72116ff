// A decoded plate as it is remembered: halves, or one value where all are equal.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

struct DecodedPlate {
  struct Channel {
    std::optional<float> constant;
    // Row by row over the window; empty where `constant` is set.
    std::vector<uint16_t> samples;
  };
  Kind kind{};
  Rect window;
  std::vector<Channel> channels;
  // Samples of the file that were infinite or no number.
  uint64_t not_finite = 0;

  // Memory that it takes.
  size_t bytes() const;
  // Planes over `rect`. REQUIRES: the window contains it.
  Picture Read(const Rect& rect) const;
};

}  // namespace selvage::worker
