// `selvage submit`: hands a stack to the daemon.
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <random>

#include "absl/strings/str_format.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/owner.h"
#include "client/stack_arguments.h"
#include "client/watch_job.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Makes a submission that is repeated after a lost answer the same submission.
std::string RandomId() {
  std::random_device device;
  std::string id;
  for (int i = 0; i < 4; ++i) id += absl::StrFormat("%08x", device());
  return id;
}

absl::StatusOr<SubmitReply> Send(Connection& connection, const Stack& stack) {
  SubmitRequest request;
  *request.mutable_stack() = stack;
  request.set_request_id(RandomId());
  request.set_owner(Owner());
  SubmitReply reply;
  absl::Status sent;
  for (int attempt = 0; attempt < 3; ++attempt) {
    auto context = connection.Call();
    sent = connection.Explain(connection.jobs().Submit(context.get(), request, &reply));
    if (!absl::IsUnavailable(sent)) break;
    if (attempt < 2) ::usleep(300'000);
  }
  RETURN_IF_ERROR(sent);
  return reply;
}

class Submit final : public Command {
 public:
  CommandHelp help() const override {
    return {"submit", Group::kJob, "Hand a stack in; only what changed is rendered",
            "The job goes on when this command has ended, and survives a restart of the daemon.\n"
            "  selvage submit apiary_010.stack --watch\n"
            "  selvage submit apiary_010.stack --watch --set boots_edge.levels.white=0.79\n"
            "`selvage watch` follows it, `selvage report` measures its mattes, `selvage fetch` writes its files."};
  }
  void Declare(CLI::App* app) override {
    stack_.Declare(app);
    app->add_flag("--watch,-w", watch_, "Follow the job to its end");
  }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    Connection connection(globals);
    ASSIGN_OR_RETURN(const SubmitReply reply, Send(connection, file.stack()));
    RETURN_IF_ERROR(file.Refuse(reply.error()));
    if (!globals.json) {
      std::printf("job %s\n", reply.job_id().c_str());
    } else if (!watch_) {
      std::fputs(Json(reply).c_str(), stdout);
    }
    return watch_ ? WatchJob(globals, connection, reply.job_id(), &file) : absl::OkStatus();
  }

 private:
  StackArguments stack_;
  bool watch_ = false;
};
REGISTER_COMMAND(Submit);

}  // namespace
}  // namespace selvage::client
