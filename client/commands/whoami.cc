// `selvage whoami`: who one is to the daemon.
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "proto/door/certificate.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class WhoAmI final : public Command {
 public:
  CommandHelp help() const override {
    return {"whoami", Group::kDaemon, "Say who you are to the daemon, and which daemon it is",
            "On the daemon's own machine nobody needs a token, and everybody may do everything. From other\n"
            "machines your token says who you are (`selvage connect`)."};
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    ASSIGN_OR_RETURN(const WhoAmIReply reply, AskWhoIAm(connection));
    std::fputs(
        (globals.json ? Json(reply) : absl::StrCat(WhoText(reply), "\n", DaemonText(connection, reply), "\n")).c_str(),
        stdout);
    return absl::OkStatus();
  }

 private:
  static std::string DaemonText(const Connection& connection, const WhoAmIReply& reply) {
    return absl::StrCat("selvaged ", reply.version(), " on ", reply.host(), ", at ", connection.route().address,
                        connection.route().tls ? ", with TLS" : ", in the clear on this machine");
  }
};
REGISTER_COMMAND(WhoAmI);

}  // namespace
}  // namespace selvage::client
