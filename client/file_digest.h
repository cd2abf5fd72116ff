// SHA-256 of files, read piece by piece.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "proto/digest.h"

namespace selvage::client {

// Errors: PERMISSION_DENIED it cannot be read, or not to its end.
absl::StatusOr<Digest> DigestOfFile(const std::string& path);

}  // namespace selvage::client
