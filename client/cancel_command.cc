// `selvage cancel`: nobody waits for this job any more.
#include <cstdio>

#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunCancel(const Globals& globals, const WatchOptions& options) {
  Connection connection(globals);
  ASSIGN_OR_RETURN(const std::string job, ResolveJob(connection, options.job));
  JobRef ref;
  ref.set_job_id(job);
  CancelReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Cancel(context.get(), ref, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
  } else {
    std::printf("job %s %s; what it rendered stays in the cache\n", job.c_str(), StateName(reply.state()).c_str());
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
