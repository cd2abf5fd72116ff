#include "server/door/tokens.h"

#include <openssl/crypto.h>

#include <algorithm>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "proto/door/certificate.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr char kWhatToDo[] = "; ask the daemon's administrator for a new one and run `selvage connect` again";

}  // namespace

absl::StatusOr<std::unique_ptr<Tokens>> Tokens::Open(const std::string& state) {
  std::unique_ptr<Tokens> tokens(new Tokens(state));
  RETURN_IF_ERROR(tokens->Refresh());
  return tokens;
}

absl::Status Tokens::Refresh() {
  struct stat info {};
  // A file that is gone holds no tokens: nobody stays in.
  (void)::stat(TokenPath(state_).c_str(), &info);
  if (info.st_ino == inode_ && info.st_mtim.tv_sec == changed_.tv_sec && info.st_mtim.tv_nsec == changed_.tv_nsec) {
    return absl::OkStatus();
  }
  inode_ = info.st_ino;
  changed_ = info.st_mtim;
  return Load();
}

absl::Status Tokens::Load() {
  ASSIGN_OR_RETURN(const TokenFile file, ReadTokens(state_));
  std::vector<Known> known;
  for (const Token& t : file.token()) {
    const auto digest = Digest::FromBytes(absl::HexStringToBytes(t.sha256()));
    const bool valid = digest && t.sha256().size() == 64 && !t.name().empty() && Token::Role_IsValid(t.role()) &&
                       t.role() != Token::ROLE_UNSPECIFIED;
    if (!valid) {
      return absl::FailedPreconditionError(
          absl::StrCat(TokenPath(state_), ": the token \"", t.name(), "\" is damaged; revoke it or mend the file"));
    }
    known.push_back({*digest, t});
  }
  MutexLock lock(&mutex_);
  known_ = std::move(known);
  return absl::OkStatus();
}

absl::StatusOr<Caller> Tokens::Find(const std::string& token, int64_t now_unix_s) const {
  const Digest given = Sha256(token);
  MutexLock lock(&mutex_);
  // All of them, each in full: how long it takes tells nothing of what is there.
  const Known* found = nullptr;
  for (const Known& k : known_) {
    if (CRYPTO_memcmp(k.sha256.bytes.data(), given.bytes.data(), given.bytes.size()) == 0) found = &k;
  }
  if (found == nullptr)
    return absl::UnauthenticatedError(absl::StrCat("the daemon does not know this token", kWhatToDo));
  const Token& t = found->token;
  if (t.revoked_unix_s() != 0) {
    return absl::UnauthenticatedError(
        absl::StrCat("the token of ", t.name(), " was revoked on ", DateText(t.revoked_unix_s()), kWhatToDo));
  }
  if (!IsGood(t, now_unix_s)) {
    return absl::UnauthenticatedError(
        absl::StrCat("the token of ", t.name(), " ran out on ", DateText(t.expires_unix_s()), kWhatToDo));
  }
  return Caller{t.name(), t.role(), found->sha256, t.expires_unix_s()};
}

bool Tokens::StillGood(const Caller& caller, int64_t now_unix_s) const {
  MutexLock lock(&mutex_);
  return std::any_of(known_.begin(), known_.end(), [&](const Known& k) {
    return k.sha256 == caller.token && k.token.role() == caller.role && IsGood(k.token, now_unix_s);
  });
}

size_t Tokens::CountGood(int64_t now_unix_s) const {
  MutexLock lock(&mutex_);
  return static_cast<size_t>(
      std::count_if(known_.begin(), known_.end(), [&](const Known& k) { return IsGood(k.token, now_unix_s); }));
}

}  // namespace selvage
