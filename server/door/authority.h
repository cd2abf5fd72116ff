// The authority that a daemon makes for itself, for houses that have none: STATE/tls.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace selvage {

// A certificate with those that vouch for it, and its private key; both PEM.
struct Identity {
  std::string chain;
  std::string key;
};

// What the folder holds, made where it is missing: an authority for 20 years, and the
// daemon's certificate for a year. The latter is replaced 60 days before it runs out;
// whoever trusts the authority notices nothing. `hosts`: names and addresses of this
// machine, besides a name that follows from the authority.
// Errors: FAILED_PRECONDITION the folder is damaged, or cannot be written.
absl::StatusOr<Identity> OwnIdentity(const std::string& state, const std::vector<std::string>& hosts,
                                     int64_t now_unix_s);

}  // namespace selvage
