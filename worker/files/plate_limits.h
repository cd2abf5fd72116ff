// How much of a worker's memory one plate may take.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/status.h"

namespace selvage::worker {

struct PlateLimits {
  // Of the file, and of the picture when it is decoded: two bytes a sample.
  uint64_t decoded_bytes = uint64_t{1024} << 20;
};

// Errors: INVALID_ARGUMENT with the size, the bound and the option that raises it.
absl::Status CheckDecodedSize(int64_t width, int64_t height, int channels, const PlateLimits& limits);
absl::Status CheckFileSize(uint64_t bytes, const PlateLimits& limits);
// All plates of a task together, which may take four times as much as one: a window of
// seven frames holds seven.
absl::Status CheckTaskSize(uint64_t bytes, const PlateLimits& limits);

}  // namespace selvage::worker
