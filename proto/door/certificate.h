// X.509 certificates, as far as one must know them to trust a daemon.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/digest.h"

namespace selvage {

struct Certificate {
  std::string pem;
  // SHA-256 of its DER form, as `openssl x509 -fingerprint -sha256` prints it.
  Digest fingerprint;
  int64_t from_unix_s = 0, until_unix_s = 0;
  // Hosts and addresses that it is for.
  std::vector<std::string> names;
};

// In the order of the text, the daemon's own first. Errors: INVALID_ARGUMENT none, or one
// that cannot be read.
absl::StatusOr<std::vector<Certificate>> ReadCertificates(const std::string& pem);

// "AB:CD:...", 32 pairs.
std::string FingerprintText(const Digest& fingerprint);
// The same, with or without colons, in either case.
absl::StatusOr<Digest> ParseFingerprint(const std::string& text);

// Does the key belong to the first certificate, and is that one good today?
// Errors: FAILED_PRECONDITION, one sentence.
absl::Status CheckKeyOf(const std::vector<Certificate>& chain, const std::string& key_pem, int64_t now_unix_s);

// Is the first certificate vouched for by `trusted` (PEM, may be that one itself), good
// today, and for `name`? Errors: FAILED_PRECONDITION ran out, or is not yet good;
// UNAUTHENTICATED not vouched for; NOT_FOUND for others only. One sentence each.
absl::Status CheckChain(const std::vector<Certificate>& chain, const std::string& trusted, const std::string& name,
                        int64_t now_unix_s);

// "2027-11-30 14:02 UTC"
std::string DateText(int64_t unix_s);

// What a daemon shows to whoever connects, and nothing is sent. Blocks.
// Errors: UNAVAILABLE nobody answers there, or not with TLS 1.3.
absl::StatusOr<std::vector<Certificate>> AskForCertificates(const std::string& host, int port, int seconds);

}  // namespace selvage
