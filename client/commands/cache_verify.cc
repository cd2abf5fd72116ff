// `selvage cache verify`: reads every tile, and says what is damaged.
#include <unistd.h>

#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string Summary(const VerifyProgress& p) {
  std::string text = absl::StrCat(p.tiles_checked(), " tiles and ", p.results_checked(), " results checked in ",
                                  Seconds(p.seconds()), "\n");
  if (p.damaged() == 0 && p.results_lost() == 0) return text + "all are whole\n";
  return absl::StrCat(text, p.damaged(), " tiles were damaged and are deleted; ", p.results_lost(),
                      " results lack tiles and will be rendered again when they are needed\n");
}

class CacheVerify final : public Command {
 public:
  CommandHelp help() const override {
    return {"verify", Group::kDaemon, "Check every tile; damaged ones are rendered again when needed",
            "Work goes on meanwhile.", "cache"};
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    const auto context = connection.Stream();
    const auto stream = connection.jobs().VerifyCache(context.get(), VerifyCacheRequest());
    const bool live = !globals.json && ::isatty(STDERR_FILENO);
    VerifyProgress p;
    while (stream->Read(&p)) {
      if (!live) continue;
      std::fputs(absl::StrCat("\r", p.tiles_checked(), " of ", p.tiles(), " tiles, ", p.results_checked(), " results, ",
                              p.damaged(), " damaged ")
                     .c_str(),
                 stderr);
    }
    if (live) std::fputs("\r\033[K", stderr);
    RETURN_IF_ERROR(connection.Explain(stream->Finish()));
    std::fputs((globals.json ? Json(p) : Summary(p)).c_str(), stdout);
    return absl::OkStatus();
  }
};
REGISTER_COMMAND(CacheVerify);

}  // namespace
}  // namespace selvage::client
