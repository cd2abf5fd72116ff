// `selvage cache backup`: a copy of the cache while work goes on.
#include <cstdio>
#include <filesystem>

#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunBackup(const Globals& globals, const BackupOptions& options) {
  Connection connection(globals);
  BackupRequest request;
  // The daemon is on this machine, but works in another folder.
  request.set_folder(std::filesystem::absolute(options.folder).lexically_normal().string());
  BackupReply reply;
  auto context = connection.Call(24 * 3600);
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Backup(context.get(), request, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }
  std::printf("%llu results, %s, in %s; open it with `selvaged --state %s`\n",
              static_cast<unsigned long long>(reply.results()), Bytes(reply.bytes()).c_str(),
              Seconds(reply.seconds()).c_str(), request.folder().c_str());
  return absl::OkStatus();
}

}  // namespace selvage::client
