// The tokens of a state folder: STATE/tokens. Changed by `selvaged token`, read by the
// daemon, at any time.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/door/door.pb.h"

namespace selvage {

std::string TokenPath(const std::string& state);

// Empty if there is none. Errors: FAILED_PRECONDITION others may read it, or it is damaged.
absl::StatusOr<TokenFile> ReadTokens(const std::string& state);

struct NewToken {
  std::string name;
  Token::Role role = Token::ROLE_UNSPECIFIED;
  // 0: never.
  int64_t expires_unix_s = 0;
};
// Makes a token and keeps only its SHA-256. Returns the token: nobody can tell it again.
// Errors: INVALID_ARGUMENT; ALREADY_EXISTS there is a good one of this name.
absl::StatusOr<std::string> AddToken(const std::string& state, const NewToken& token, int64_t now_unix_s);

// Errors: NOT_FOUND no good token of this name.
absl::Status RevokeToken(const std::string& state, const std::string& name, int64_t now_unix_s);

// Neither revoked nor run out.
bool IsGood(const Token& token, int64_t now_unix_s);

// "90d", "12h", "" (never: 0), as a time.
absl::StatusOr<int64_t> ParseExpiry(const std::string& text, int64_t now_unix_s);

}  // namespace selvage
