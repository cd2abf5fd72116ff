#include "server/door/token_command.h"

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <ctime>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/door/certificate.h"
#include "proto/door/private_file.h"
#include "proto/door/route.h"
#include "proto/status.h"
#include "server/door/token_file.h"

namespace selvage {
namespace {

constexpr char kAbout[] = R"(Tokens let people and workers in from other machines. Only their SHA-256 is kept, so write
the token down where it is needed when it is printed; a running daemon takes up changes within a second or two.
  selvaged token add rhea --role submitter --expires 90d
  (umask 077; selvaged token add farm --role worker >worker.token)
  selvaged token revoke rhea
Roles:
  viewer         sees jobs, workers and the cache, and fetches what is finished
  submitter      also checks, looks and submits; changes what belongs to their own stacks
  worker         renders; nothing else
  administrator  everything
)";

int64_t Now() { return static_cast<int64_t>(std::time(nullptr)); }

std::string StateOf(const Token& t) {
  if (t.revoked_unix_s() != 0) return "revoked " + DateText(t.revoked_unix_s());
  if (!IsGood(t, Now())) return "ran out " + DateText(t.expires_unix_s());
  return t.expires_unix_s() == 0 ? "good" : "good until " + DateText(t.expires_unix_s());
}

}  // namespace

void TokenCommand::Declare(CLI::App* app) {
  CLI::App* token = app->add_subcommand("token", "Make, list and revoke the tokens of people and workers");
  token->footer(kAbout);
  token->require_subcommand(1);
  token->fallthrough();
  CLI::App* add = token->add_subcommand("add", "Make a token and print it, once");
  add->add_option("NAME", name_, "Whose it is: owner of what is submitted with it")->required();
  add->add_option("--role", role_, "viewer, submitter, worker or administrator")->required();
  add->add_option("--expires", expires_, "Good for so long, as in 90d or 12h; default: until it is revoked");
  CLI::App* list = token->add_subcommand("list", "List all tokens by name");
  CLI::App* revoke = token->add_subcommand("revoke", "Let nobody in with it any more; ends what is open");
  revoke->add_option("NAME", name_, "Whose it is")->required();
  for (CLI::App* sub : {add, list, revoke}) {
    sub->fallthrough();
    sub->callback([this, sub] { verb_ = sub->get_name(); });
  }
}

absl::Status TokenCommand::Run(const std::string& state) const {
  if (verb_ == "add") return Add(state);
  if (verb_ == "list") return List(state);
  return RevokeToken(state, name_, Now());
}

absl::Status TokenCommand::Add(const std::string& state) const {
  ASSIGN_OR_RETURN(const int64_t expires, ParseExpiry(expires_, Now()), Annotate("--expires"));
  const Token::Role role = ParseRole(role_);
  if (role == Token::ROLE_UNSPECIFIED) {
    return absl::InvalidArgumentError(
        absl::StrCat("--role cannot be \"", role_, "\"; it is one of viewer, submitter, worker, administrator"));
  }
  ASSIGN_OR_RETURN(const std::string token, AddToken(state, {name_, role, expires}, Now()));
  std::printf("%s\n", token.c_str());
  if (std::fflush(stdout) != 0) return absl::UnavailableError("the token could not be printed; revoke it");
  std::fprintf(stderr, "This is the token of %s (%s). It is kept nowhere else.\n", name_.c_str(), role_.c_str());
  return absl::OkStatus();
}

absl::Status TokenCommand::List(const std::string& state) {
  ASSIGN_OR_RETURN(const TokenFile tokens, ReadTokens(state));
  for (const Token& t : tokens.token()) {
    std::printf("%s\n", absl::StrFormat("%-24s %-14s made %s  %s", t.name(), RoleText(t.role()),
                                        DateText(t.made_unix_s()), StateOf(t))
                            .c_str());
  }
  if (tokens.token().empty()) std::printf("no tokens in %s\n", state.c_str());
  return absl::OkStatus();
}

}  // namespace selvage
