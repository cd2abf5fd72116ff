// What requests of the page have in common. Where something is missing, it is answered here.
#pragma once

#include <optional>

#include "client/loom/answers.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/loom/json_reader.h"

namespace selvage::client {

// The members of a POST; nullopt when a fault has been answered.
std::optional<JsonMembers> ReadMembers(const Exchange& exchange);
// A frame number, brought into the range of one. Errors: INVALID_ARGUMENT.
absl::StatusOr<std::optional<int>> FrameMember(const JsonMembers& members, const std::string& name);

// The stack that a call is about; nullptr when that has been answered.
const Stack* NeedStack(const Document& document, const Exchange& exchange);

}  // namespace selvage::client
