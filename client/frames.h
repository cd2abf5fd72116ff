// A range of frames as it is typed.
#pragma once

#include <string>

#include "absl/status/statusor.h"

namespace selvage::client {

struct Frames {
  int first = 0, last = 0;
};

// "1001-1048" or "1001".
// Errors: INVALID_ARGUMENT, a usage error.
absl::StatusOr<Frames> ParseFrames(const std::string& text);

}  // namespace selvage::client
