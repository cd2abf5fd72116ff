// `selvage submit`: hands a stack to the daemon.
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <functional>
#include <random>

#include "absl/strings/str_format.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/saved_file.h"
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
  request.set_owner(connection.owner());
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
            "  selvage submit apiary_010.stack --follow     and again each time that the file is saved\n"
            "`selvage watch` follows it, `selvage report` measures its mattes, `selvage fetch` writes its files."};
  }
  void Declare(CLI::App* app) override {
    stack_.Declare(app);
    app->add_flag("--watch,-w", watch_, "Follow the job to its end");
    app->add_flag("--follow", follow_,
                  "Watch, and hand the stack in again each time that its file is saved; the job before is cancelled if "
                  "it still runs. Ctrl-C ends it");
    app->add_option("--notify", notify_, kNotifyHelp)->type_name("COMMAND");
  }

  absl::Status Run(const Globals& globals) override {
    if (!notify_.empty() && !watch_ && !follow_) return UsageError("--notify needs --watch or --follow");
    Connection connection(globals);
    if (!follow_) return Once(globals, connection, nullptr);
    return AtEachSave(stack_.stack,
                      [&](const std::function<bool()>& changed) { return Once(globals, connection, changed); });
  }

 private:
  absl::Status Once(const Globals& globals, Connection& connection, const std::function<bool()>& changed) const {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    ASSIGN_OR_RETURN(const SubmitReply reply, Send(connection, file.stack()));
    RETURN_IF_ERROR(file.Refuse(reply.error()));
    if (!globals.json) {
      std::printf("job %s\n", reply.job_id().c_str());
    } else if (!watch_ && !follow_) {
      std::fputs(Json(reply).c_str(), stdout);
    }
    if (!watch_ && !follow_) return absl::OkStatus();
    const absl::Status status = WatchJob(globals, connection, reply.job_id(), {&file, notify_, changed});
    if (absl::IsCancelled(status)) Cancel(connection, reply.job_id());
    return status;
  }

  // What it was about to render is not wanted any more; what it has rendered stays.
  static void Cancel(Connection& connection, const std::string& job) {
    JobRef ref;
    ref.set_job_id(job);
    CancelReply reply;
    auto context = connection.Call();
    (void)connection.jobs().Cancel(context.get(), ref, &reply);
  }

  StackArguments stack_;
  bool watch_ = false, follow_ = false;
  std::string notify_;
};
REGISTER_COMMAND(Submit);

}  // namespace
}  // namespace selvage::client
