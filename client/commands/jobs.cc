// `selvage jobs`: what was submitted, newest first.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/clock.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string JobsTable(const ListJobsReply& reply) {
  std::vector<std::vector<std::string>> rows;
  const int64_t now = NowUnixMs();
  for (const JobProgress& job : reply.job()) {
    const std::string size = job.proxy() > 1 ? absl::StrCat(" (", SizeInWords(job.proxy()), ")") : "";
    rows.push_back({job.job_id(), job.stack_name() + size, job.owner(), TimeOfDay(job.submitted_unix_ms(), now),
                    StateName(job.state()), Seconds(job.seconds()), job.problem_size() > 0 ? job.problem(0) : ""});
  }
  return Table({"job", "stack", "owner", "submitted", "state", "took", "problem"}, rows);
}

class Jobs final : public Command {
 public:
  CommandHelp help() const override {
    return {"jobs", Group::kJob, "List jobs, newest first",
            "With the time of day they were submitted at and who submitted them. `last`, for other commands, is\n"
            "your own newest job.\n"
            "  selvage jobs --mine --limit 5"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("--limit", limit_, "How many")->capture_default_str()->check(CLI::Range(1, 10000));
    app->add_flag("--mine", mine_, "Only your own");
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    ListJobsRequest request;
    request.set_limit(limit_);
    if (mine_) request.set_owner(connection.owner());
    ListJobsReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().ListJobs(context.get(), request, &reply)));
    std::fputs((globals.json ? Json(reply) : JobsTable(reply)).c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  unsigned limit_ = 20;
  bool mine_ = false;
};
REGISTER_COMMAND(Jobs);

}  // namespace
}  // namespace selvage::client
