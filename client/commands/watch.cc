// `selvage watch`: follows a job to its end.
#include <CLI/CLI.hpp>

#include "client/command.h"
#include "client/connection.h"
#include "client/watch_job.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Watch final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "watch", Group::kJob, "Follow a job to its end",
        "Ctrl-C ends the watching, not the job. Ends with 0 when the job is done and with 4 when it failed or\n"
        "was cancelled. Everything is told in words, nothing by colour. What fits the window least goes first; the\n"
        "time left stays.\n"
        "  selvage watch            your newest job\n"
        "  selvage watch 3f0a91c2   this one (`selvage jobs` lists them)"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("JOB", job_, "Job id, or `last`: your newest one")->capture_default_str();
    app->add_option("--notify", options_.notify, kNotifyHelp)->type_name("COMMAND");
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    ASSIGN_OR_RETURN(const std::string job, ResolveJob(connection, job_));
    return WatchJob(globals, connection, job, options_);
  }

 private:
  std::string job_ = "last";
  WatchOptions options_;
};
REGISTER_COMMAND(Watch);

}  // namespace
}  // namespace selvage::client
