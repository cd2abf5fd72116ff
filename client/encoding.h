// Encodings as they are written on the command line.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "proto/values.pb.h"

namespace selvage::client {

// "linear"
std::string EncodingName(Encoding encoding);

// Errors: a usage error that says what is allowed.
absl::StatusOr<Encoding> ParseEncoding(const std::string& text);

}  // namespace selvage::client
