// HOST:PORT as people give it.
#pragma once

#include <string>

#include "absl/status/statusor.h"

namespace selvage {

struct Address {
  std::string host;
  int port = 0;
  // "127.0.0.1:7311", "[::1]:7311"
  std::string Text() const;
};

// Only this machine: 127.x.y.z, ::1 (in brackets) or localhost. There is no
// encryption and no password in this version, so nothing else is accepted.
// Errors: INVALID_ARGUMENT, one sentence.
absl::StatusOr<Address> ParseLoopback(const std::string& text);

}  // namespace selvage
