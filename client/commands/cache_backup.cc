// `selvage cache backup`: a copy of the cache while work goes on.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class CacheBackup final : public Command {
 public:
  CommandHelp help() const override {
    return {"backup", Group::kDaemon, "Copy the cache as of one moment, while work goes on",
            "On the same file system it takes no room at first: files are linked. A daemon can be started on it:\n"
            "  selvage cache backup /safe/selvage-monday\n"
            "  selvaged --state /safe/selvage-monday",
            "cache"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("DIR", folder_, "A folder that does not exist yet, on the daemon's machine")->required();
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    BackupRequest request;
    // The daemon is on this machine, but works in another folder.
    request.set_folder(std::filesystem::absolute(folder_).lexically_normal().string());
    BackupReply reply;
    auto context = connection.Call(24 * 3600);
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Backup(context.get(), request, &reply)));
    const std::string text =
        absl::StrCat(reply.results(), " results, ", Bytes(reply.bytes()), ", copied in ", Seconds(reply.seconds()),
                     "; open the copy with `selvaged --state ", request.folder(), "`\n");
    std::fputs((globals.json ? Json(reply) : text).c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string folder_;
};
REGISTER_COMMAND(CacheBackup);

}  // namespace
}  // namespace selvage::client
