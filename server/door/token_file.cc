#include "server/door/token_file.h"

#include <google/protobuf/text_format.h>
#include <openssl/rand.h>

#include <algorithm>

#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "proto/digest.h"
#include "proto/door/private_file.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr size_t kLongestName = 32;
constexpr int kMostTokens = 4096;
constexpr int64_t kDay = 24 * 60 * 60;
// Whoever still has a token that is no longer good is told so for this long.
constexpr int64_t kRemembered = 400 * kDay;
constexpr int64_t kLongestLife = 100 * 366 * kDay;

absl::Status CheckName(const std::string& name) {
  bool good = !name.empty() && name.size() <= kLongestName && absl::ascii_isalnum(static_cast<unsigned char>(name[0]));
  for (const char c : name) {
    good = good && (absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '.' || c == '_' || c == '-');
  }
  if (good) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("\"", name,
                                                 "\" cannot be the name of a token: it has 1 to 32 letters, digits and "
                                                 "\"._-\", the first a letter or digit"));
}

absl::Status WriteTokens(const std::string& state, TokenFile tokens, int64_t now) {
  auto* all = tokens.mutable_token();
  all->erase(std::remove_if(all->begin(), all->end(),
                            [&](const Token& t) {
                              const int64_t end = t.revoked_unix_s() != 0 ? t.revoked_unix_s() : t.expires_unix_s();
                              return end != 0 && end < now - kRemembered;
                            }),
             all->end());
  std::string text;
  google::protobuf::TextFormat::PrintToString(tokens, &text);
  return WritePrivateFile(TokenPath(state), "# Written by `selvaged token`.\n" + text);
}

}  // namespace

std::string TokenPath(const std::string& state) { return state + "/tokens"; }

absl::StatusOr<TokenFile> ReadTokens(const std::string& state) {
  const std::string path = TokenPath(state);
  ASSIGN_OR_RETURN(const auto text, ReadPrivateFile(path));
  TokenFile tokens;
  if (text && !google::protobuf::TextFormat::ParseFromString(*text, &tokens)) {
    return absl::FailedPreconditionError(absl::StrCat(path, ": is damaged; mend it, or remove it and make new tokens"));
  }
  return tokens;
}

absl::StatusOr<std::string> AddToken(const std::string& state, const NewToken& wanted, int64_t now_unix_s) {
  RETURN_IF_ERROR(CheckName(wanted.name));
  if (wanted.role == Token::ROLE_UNSPECIFIED) {
    return absl::InvalidArgumentError("the role is one of viewer, submitter, worker, administrator");
  }
  RETURN_IF_ERROR(MakePrivateFolder(state));
  ASSIGN_OR_RETURN(const FileLock lock, FileLock::Take(TokenPath(state) + ".lock"));
  ASSIGN_OR_RETURN(TokenFile tokens, ReadTokens(state));
  for (const Token& t : tokens.token()) {
    if (t.name() == wanted.name && IsGood(t, now_unix_s)) {
      return absl::AlreadyExistsError(absl::StrCat("there is a token \"", wanted.name,
                                                   "\" already; `selvaged token "
                                                   "revoke ",
                                                   wanted.name, "` first, or choose another name"));
    }
  }
  if (tokens.token_size() >= kMostTokens) {
    return absl::ResourceExhaustedError(absl::StrCat("there are ", kMostTokens, " tokens already"));
  }
  unsigned char secret[32];
  if (RAND_bytes(secret, sizeof secret) != 1) return absl::InternalError("no random numbers");
  std::string word;
  absl::WebSafeBase64Escape(absl::string_view(reinterpret_cast<const char*>(secret), sizeof secret), &word);
  word = "selvage_" + word;
  Token& token = *tokens.add_token();
  token.set_name(wanted.name);
  token.set_role(wanted.role);
  token.set_sha256(Sha256(word).Hex());
  token.set_made_unix_s(now_unix_s);
  token.set_expires_unix_s(wanted.expires_unix_s);
  RETURN_IF_ERROR(WriteTokens(state, std::move(tokens), now_unix_s));
  return word;
}

absl::Status RevokeToken(const std::string& state, const std::string& name, int64_t now_unix_s) {
  const absl::Status none = absl::NotFoundError(
      absl::StrCat("there is no good token \"", name, "\" in ", state, "; `selvaged token list` shows all"));
  ASSIGN_OR_RETURN(TokenFile before, ReadTokens(state));
  if (before.token().empty()) return none;
  ASSIGN_OR_RETURN(const FileLock lock, FileLock::Take(TokenPath(state) + ".lock"));
  ASSIGN_OR_RETURN(TokenFile tokens, ReadTokens(state));
  bool found = false;
  for (Token& t : *tokens.mutable_token()) {
    if (t.name() != name || !IsGood(t, now_unix_s)) continue;
    t.set_revoked_unix_s(now_unix_s);
    found = true;
  }
  return found ? WriteTokens(state, std::move(tokens), now_unix_s) : none;
}

bool IsGood(const Token& token, int64_t now_unix_s) {
  return token.revoked_unix_s() == 0 && (token.expires_unix_s() == 0 || now_unix_s < token.expires_unix_s());
}

absl::StatusOr<int64_t> ParseExpiry(const std::string& text, int64_t now_unix_s) {
  if (text.empty()) return 0;
  int64_t number = 0;
  const char unit = text.back();
  const int64_t seconds = unit == 'd' ? kDay : unit == 'h' ? 60 * 60 : unit == 'm' ? 60 : unit == 's' ? 1 : 0;
  if (seconds == 0 || !absl::SimpleAtoi(text.substr(0, text.size() - 1), &number) || number < 1 ||
      number > kLongestLife / seconds) {
    return absl::InvalidArgumentError(absl::StrCat("\"", text, "\" is no length of time, as in 90d or 12h"));
  }
  return now_unix_s + number * seconds;
}

}  // namespace selvage
