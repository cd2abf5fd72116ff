// Sizes as people write them: "20G", "512M", "1.5T".
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/statusor.h"

namespace selvage {

// K, M, G, T are powers of 1024; without a letter it is bytes.
// Errors: INVALID_ARGUMENT, one sentence.
absl::StatusOr<uint64_t> ParseSize(const std::string& text);

}  // namespace selvage
