// `selvage connect`: trust a daemon beyond this machine, and remember it.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/ask.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/address.h"
#include "proto/door/certificate.h"
#include "proto/door/private_file.h"
#include "proto/door/route.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

constexpr int kAskSeconds = 10;
constexpr char kDefaultPort[] = ":7411";

class Connect final : public Command {
 public:
  CommandHelp help() const override {
    return {"connect", Group::kDaemon, "Go to a daemon on another machine from now on",
            "Shows the fingerprint of its certificate, which must be the one that selvaged printed when it\n"
            "started, asks for your token, and remembers both for you alone. Then every command goes there.\n"
            "  selvage connect render01:7411\n"
            "  selvage connect render01:7411 --fingerprint 4F:0A:... --token-file rhea.token\n"
            "  selvage connect render01:7411 --authority /etc/ssl/house.pem\n"
            "  selvage connect                         lists the daemons that are known\n"
            "  selvage connect --use render01:7411     goes to this one again\n"
            "  selvage connect --local                 goes to the daemon on this machine again\n"
            "  selvage connect --forget render01:7411\n"
            "A single command goes elsewhere with --server."};
  }
  void Declare(CLI::App* app) override {
    app->add_option("ADDRESS", address_, "The daemon, HOST:PORT");
    app->add_option("--fingerprint", fingerprint_, "What selvaged printed; then nobody is asked")->type_name("HEX");
    app->add_option("--authority", authority_, "Certificate of the house, PEM, instead of a fingerprint")
        ->type_name("FILE");
    app->add_option("--token-file", token_file_, "Your token; default: asked for, or a line of standard input")
        ->type_name("FILE");
    app->add_option("--use", use_, "Go to this one, which is known already")->type_name("ADDRESS");
    app->add_flag("--local", local_, "Go to the daemon on this machine");
    app->add_option("--forget", forget_, "Remember nothing of this one any more")->type_name("ADDRESS");
  }

  absl::Status Run(const Globals& globals) override {
    const int wishes = !address_.empty() + !use_.empty() + local_ + !forget_.empty();
    if (wishes > 1) return UsageError("give one of ADDRESS, --use, --local and --forget");
    ASSIGN_OR_RETURN(KnownDaemons daemons, ReadKnownDaemons());
    if (wishes == 0) return List(globals, daemons);
    if (!address_.empty()) return ConnectTo(globals, std::move(daemons));
    if (local_) daemons.clear_chosen();
    if (!use_.empty()) {
      if (FindKnown(&daemons, use_) == nullptr) return Unknown(use_);
      daemons.set_chosen(use_);
    }
    if (!forget_.empty()) {
      if (FindKnown(&daemons, forget_) == nullptr) return Unknown(forget_);
      if (daemons.chosen() == forget_) daemons.clear_chosen();
      auto* all = daemons.mutable_daemon();
      all->erase(std::remove_if(all->begin(), all->end(), [&](const auto& d) { return d.address() == forget_; }),
                 all->end());
    }
    RETURN_IF_ERROR(WriteKnownDaemons(daemons));
    return List(globals, daemons);
  }

 private:
  static absl::Status Unknown(const std::string& address) {
    return absl::NotFoundError(absl::StrCat("no daemon at ", address,
                                            " is known; `selvage connect` lists those that "
                                            "are"));
  }

  static absl::Status List(const Globals& globals, const KnownDaemons& daemons) {
    const std::string here = daemons.chosen().empty() ? "commands go here" : "";
    if (globals.json) {
      JsonArray all;
      for (const KnownDaemon& d : daemons.daemon()) {
        all.Add(JsonObject()
                    .Add("address", JsonText(d.address()))
                    .Add("owner", JsonText(d.owner()))
                    .Add("role", JsonText(Token::Role_Name(d.role())))
                    .Add("chosen", d.address() == daemons.chosen() ? "true" : "false")
                    .text());
      }
      std::fputs((JsonObject().Add("daemon", all.text()).text() + "\n").c_str(), stdout);
      return absl::OkStatus();
    }
    std::vector<std::vector<std::string>> rows = {{kDefaultServer, "this machine", "", here}};
    for (const KnownDaemon& d : daemons.daemon()) {
      rows.push_back(
          {d.address(), d.owner(), RoleText(d.role()), d.address() == daemons.chosen() ? "commands go here" : ""});
    }
    std::fputs(Table({"daemon", "you are", "role", ""}, rows).c_str(), stdout);
    return absl::OkStatus();
  }

  absl::Status ConnectTo(const Globals& globals, KnownDaemons daemons) const {
    const bool has_port = address_.find(':') != std::string::npos && address_.back() != ']';
    ASSIGN_OR_RETURN(const Address address, ParseAddress(has_port ? address_ : address_ + kDefaultPort));
    ASSIGN_OR_RETURN(const std::string fingerprint, FingerprintToTrust(address));
    ASSIGN_OR_RETURN(KnownDaemon known, Trust(address.Text(), fingerprint, authority_));
    ASSIGN_OR_RETURN(*known.mutable_token(), ReadToken());
    Connection connection(Route{known.address(), true, known});
    ASSIGN_OR_RETURN(const WhoAmIReply reply, AskWhoIAm(connection));
    known.set_owner(reply.name());
    known.set_role(reply.role());
    KnownDaemon* place = FindKnown(&daemons, known.address());
    *(place != nullptr ? place : daemons.add_daemon()) = known;
    daemons.set_chosen(known.address());
    RETURN_IF_ERROR(WriteKnownDaemons(daemons));
    if (globals.json) {
      std::fputs(Json(reply).c_str(), stdout);
    } else {
      std::printf("%s at %s, selvaged %s on %s; commands go there now\n", WhoText(reply).c_str(),
                  known.address().c_str(), reply.version().c_str(), reply.host().c_str());
    }
    return absl::OkStatus();
  }

  // "" with --authority.
  absl::StatusOr<std::string> FingerprintToTrust(const Address& address) const {
    if (!authority_.empty() && !fingerprint_.empty()) return UsageError("give --authority or --fingerprint, not both");
    if (!authority_.empty() || !fingerprint_.empty()) return fingerprint_;
    if (!AtTerminal()) {
      return UsageError("nobody can be asked here: give --fingerprint, as selvaged printed it, or --authority");
    }
    ASSIGN_OR_RETURN(const auto chain, AskForCertificates(address.host, address.port, kAskSeconds));
    const std::string shown = FingerprintText(chain.back().fingerprint);
    std::fprintf(stderr, "The fingerprint of the certificate at %s is\n  %s\n", address.Text().c_str(), shown.c_str());
    if (!Confirm("Is it the one that selvaged printed when it started? [y/N]")) {
      return absl::FailedPreconditionError("not connected; nothing was sent or remembered");
    }
    return shown;
  }

  absl::StatusOr<std::string> ReadToken() const {
    if (!token_file_.empty()) return ReadTokenFile(token_file_);
    ASSIGN_OR_RETURN(const std::string line, AskForSecret("Your token:"));
    return CheckToken(line);
  }

  std::string address_, fingerprint_, authority_, token_file_, use_, forget_;
  bool local_ = false;
};
REGISTER_COMMAND(Connect);

}  // namespace
}  // namespace selvage::client
