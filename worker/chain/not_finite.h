// What a plate's file held that no task may see.
#pragma once

#include <cstdint>

namespace selvage::worker {

// A source that made samples finite, and knows how many. A chain hands their number on as
// Input::numbers, for what measures how a recording is; there are none where it is 0.
class CountsNotFinite {
 public:
  virtual ~CountsNotFinite() = default;
  virtual uint64_t not_finite() const = 0;
};

}  // namespace selvage::worker
