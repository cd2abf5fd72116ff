// `selvage jobs`: what was submitted, newest first.
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunJobs(const Globals& globals, const JobsOptions& options) {
  Connection connection(globals);
  ListJobsRequest request;
  request.set_limit(options.limit);
  ListJobsReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().ListJobs(context.get(), request, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }
  std::vector<std::vector<std::string>> rows;
  for (const JobProgress& job : reply.job()) {
    rows.push_back({job.job_id(), job.stack_name(), StateName(job.state()), Seconds(job.seconds()),
                    job.problem_size() > 0 ? job.problem(0) : ""});
  }
  std::fputs(Table({"job", "stack", "state", "time", "problem"}, rows).c_str(), stdout);
  return absl::OkStatus();
}

}  // namespace selvage::client
