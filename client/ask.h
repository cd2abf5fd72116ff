// Questions to whoever sits at the terminal.
#pragma once

#include <string>

#include "absl/status/statusor.h"

namespace selvage::client {

// Somebody can be asked.
bool AtTerminal();

// "y" or "yes", in either case.
bool Confirm(const std::string& question);

// A line of standard input, which does not show while it is typed.
// Errors: INVALID_ARGUMENT there is none.
absl::StatusOr<std::string> AskForSecret(const std::string& question);

}  // namespace selvage::client
