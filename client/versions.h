// STACK, or STACK@N for a version that was submitted, as commands take them.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/language/stack_file.h"

namespace selvage::client {

// "apiary_010.stack@3", "apiary_010@last", "apiary_010".
struct VersionName {
  // A stack file or the name of a stack.
  std::string stack;
  // 0: the newest. Not set: no version was named.
  std::optional<uint32_t> number;
};
// Errors: a usage error for what follows an @ and is no number.
absl::StatusOr<VersionName> ParseVersionName(const std::string& text);

// Name of the stack that a file holds, or the word itself where it is no file.
absl::StatusOr<std::string> NameOfStack(const std::string& stack);

// The stack of a version. `text`: the file that it was read from instead.
absl::StatusOr<GetVersionReply> GetVersion(Connection& connection, const std::string& stack, uint32_t number,
                                           bool text = false);

// "apiary_010@3"
std::string InWords(const StackVersion& version);

}  // namespace selvage::client
