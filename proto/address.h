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
  // 127.x.y.z, ::1 or localhost: nobody but this machine.
  bool loopback() const;
};

// A name, or an address of IP version 4, or one of version 6 in brackets.
// Errors: INVALID_ARGUMENT, one sentence.
absl::StatusOr<Address> ParseAddress(const std::string& text);

// Only this machine, for what has neither encryption nor tokens.
absl::StatusOr<Address> ParseLoopback(const std::string& text);

}  // namespace selvage
