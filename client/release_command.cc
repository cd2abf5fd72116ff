// `selvage cache release`: a finished shot's pins go.
#include <cstdio>

#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunRelease(const Globals& globals, const ReleaseOptions& options) {
  Connection connection(globals);
  ReleaseRequest request;
  request.set_stack_name(options.stack);
  ReleaseReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Release(context.get(), request, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }
  std::printf("%llu results of \"%s\" are pinned no longer; they stay until room is needed\n",
              static_cast<unsigned long long>(reply.results()), options.stack.c_str());
  return absl::OkStatus();
}

}  // namespace selvage::client
