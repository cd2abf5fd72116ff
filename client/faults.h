// What is wrong with a stack, for people and, with --json, for programs.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"

namespace selvage::client {

struct Fault {
  // From 1 on; 0: the file as a whole.
  int line = 0, column = 0;
  // Field path, as in "pass[3].step[1].levels.black"; empty for faults of syntax.
  std::string path;
  std::string message;
};

// INVALID_ARGUMENT, a line a fault: "file:line:column: message". The faults
// travel along for FailureJson. OK for none.
absl::Status FaultsIn(const std::string& file, const std::vector<Fault>& faults);

// The faults that travel along; none for another status.
std::vector<Fault> FaultsOf(const absl::Status& status);

// A failed command as JSON: {"error": [{"file", "line", "column", "path",
// "message"}, ...], "exit_code": 1}. Other failures are one error with a message.
std::string FailureJson(const absl::Status& status);

}  // namespace selvage::client
