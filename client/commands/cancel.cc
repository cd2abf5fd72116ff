// `selvage cancel`: this job is not needed any more.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Cancel final : public Command {
 public:
  CommandHelp help() const override {
    return {"cancel", Group::kJob, "Stop a job; what it has rendered is kept",
            "  selvage cancel last      your newest job\n"
            "Submitting the stack again goes on where the job stopped."};
  }
  void Declare(CLI::App* app) override {
    app->add_option("JOB", job_, "Job id, or `last`: your newest one")->required();
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    JobRef ref;
    ASSIGN_OR_RETURN(*ref.mutable_job_id(), ResolveJob(connection, job_));
    CancelReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Cancel(context.get(), ref, &reply)));
    if (globals.json) {
      std::fputs(Json(reply).c_str(), stdout);
    } else {
      std::printf("job %s is %s; what it rendered stays in the cache\n", ref.job_id().c_str(),
                  StateName(reply.state()).c_str());
    }
    return absl::OkStatus();
  }

 private:
  std::string job_;
};
REGISTER_COMMAND(Cancel);

}  // namespace
}  // namespace selvage::client
