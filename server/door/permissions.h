// Which role may call what: the one table.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "proto/door/door.pb.h"

namespace selvage {

// `method`: as HTTP/2 has it, "/selvage.JobService/Submit". What is not in the table nobody may.
// Errors: PERMISSION_DENIED says who may.
absl::Status MayCall(Token::Role role, const std::string& method);

// Health checks come from programs that have no token, and tell nothing.
bool NeedsNoToken(const std::string& method);

// All methods of the table.
std::vector<std::string> KnownMethods();

}  // namespace selvage
