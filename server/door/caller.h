// Who calls.
#pragma once

#include <cstdint>
#include <string>

#include "proto/door/door.pb.h"
#include "proto/digest.h"

namespace selvage {

// By default somebody on this machine, who needs no token and may do everything.
struct Caller {
  // Of the token.
  std::string name;
  Token::Role role = Token::ADMINISTRATOR;
  Digest token;
  int64_t expires_unix_s = 0;

  bool local() const { return name.empty(); }
};

}  // namespace selvage
