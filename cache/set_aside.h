// What is damaged is moved out of the way, not deleted.
#pragma once

#include <functional>
#include <string>

#include "absl/status/statusor.h"

namespace selvage {

// Moves the files of STATE/NAME for which `damaged` says so to STATE/damaged-<time>/NAME/.
// Returns that folder.
// Errors: UNAVAILABLE the file system says no.
absl::StatusOr<std::string> SetAside(const std::string& state_folder, const std::string& name,
                                     const std::function<bool(const std::string& file)>& damaged);

}  // namespace selvage
