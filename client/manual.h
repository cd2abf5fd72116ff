// The operator manual, read from the descriptors: traits say ranges and
// defaults, the comments in proto/ say the rest.
#pragma once

#include <string>

#include "absl/status/statusor.h"

namespace selvage::client {

// A line an operator, by family.
std::string ManualIndex();
// One operator's page. Errors: NOT_FOUND with the closest name.
absl::StatusOr<std::string> ManualPage(const std::string& name);

}  // namespace selvage::client
