// `selvage submit`: hands a stack to the daemon.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <functional>

#include "client/command.h"
#include "client/connection.h"
#include "client/estimate.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/saved_file.h"
#include "client/stack_arguments.h"
#include "client/submitting.h"
#include "client/watch_job.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// How long the plan is waited for that says how long rendering will take.
constexpr int kPlanSeconds = 5;

class Submit final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "submit", Group::kJob, "Hand a stack in; only what changed is rendered",
        "The job goes on when this command has ended, and survives a restart of the daemon.\n"
        "It is the next version of its stack, and kept with its text and note.\n"
        "  selvage submit apiary_010.stack --watch\n"
        "  selvage submit apiary_010.stack --note \"boots softer, for Rhea\"\n"
        "  selvage submit apiary_010.stack --watch --set boots_edge.levels.white=0.79\n"
        "  selvage submit apiary_010.stack --follow     and again each time that the file is saved\n"
        "  selvage submit apiary_010.stack --scale 1/2 --watch     a quarter of the pixels, to see it sooner\n"
        "A list of shots is a CSV file with a header, of which only `name` must be there; an empty cell leaves what\n"
        "the stack says. A line with a fault is told of, and the others go on. Each shot is a stack of its own\n"
        "(the deliverables' paths need {stack}):\n"
        "  name,frames,plate:plate,core.levels.white\n"
        "  apiary_010,1001-1048,plates/apiary_010.%04d.exr,\n"
        "  apiary_020,1001-1031,plates/apiary_020.%04d.exr,0.75\n"
        "A file with another ending holds the same as text: shot { name: \"apiary_010\" frames { first: 1001 last: "
        "1048 }\n"
        "plate { name: \"plate\" files: \"plates/apiary_010.%04d.exr\" } set: \"core.levels.white=0.75\" }\n"
        "  selvage submit apiary.stack --shots lot.csv --watch\n"
        "`selvage watch` follows it, `selvage report` measures its mattes, `selvage fetch` writes its files."};
  }
  void Declare(CLI::App* app) override {
    stack_.Declare(app);
    app->add_option("--note", note_, "What you say of this version, for `selvage versions`")->type_name("TEXT");
    app->add_option("--shots", shots_, "Hand the stack in for each shot of this list; see below")->type_name("FILE");
    app->add_flag("--watch,-w", watch_, "Follow the job to its end");
    app->add_flag("--follow", follow_,
                  "Watch, and hand the stack in again each time that its file is saved; the job before is cancelled if "
                  "it still runs. Ctrl-C ends it");
    app->add_option("--notify", notify_, kNotifyHelp)->type_name("COMMAND");
  }

  absl::Status Run(const Globals& globals) override {
    if (!notify_.empty() && !watch_ && !follow_) return UsageError("--notify needs --watch or --follow");
    if (!shots_.empty() && (follow_ || !notify_.empty())) {
      return UsageError("--shots goes with --watch, not with --follow or --notify");
    }
    Connection connection(globals);
    if (!shots_.empty()) {
      ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
      return SubmitShots(globals, connection, file, stack_.Changes(), note_, shots_, watch_);
    }
    if (!follow_) return Once(globals, connection, nullptr);
    return AtEachSave(stack_.stack,
                      [&](const std::function<bool()>& changed) { return Once(globals, connection, changed); });
  }

 private:
  absl::Status Once(const Globals& globals, Connection& connection, const std::function<bool()>& changed) const {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    ASSIGN_OR_RETURN(const SubmitReply reply, Send(connection, {file.stack(), file.text(), stack_.Changes(), note_}));
    RETURN_IF_ERROR(file.Refuse(reply.error()));
    if (!globals.json) {
      std::printf("job %s\n", reply.job_id().c_str());
      // A script reads the job and nothing else.
      const std::string size = file.stack().proxy() > 1 ? " at " + SizeInWords(file.stack().proxy()) : "";
      std::fprintf(watch_ || follow_ ? stdout : stderr, "version %u of %s%s\n", reply.version(),
                   file.stack().name().c_str(), size.c_str());
      std::fflush(stdout);
    } else if (!watch_ && !follow_) {
      std::fputs(Json(reply).c_str(), stdout);
    }
    if (!watch_ && !follow_) {
      if (!globals.json) SayHowLong(connection, reply.job_id());
      return absl::OkStatus();
    }
    const absl::Status status = WatchJob(globals, connection, reply.job_id(), {&file, notify_, changed});
    if (absl::IsCancelled(status)) Cancel(connection, reply.job_id());
    return status;
  }

  // Once the plan is there; where that takes long, `watch` says it.
  static void SayHowLong(Connection& connection, const std::string& job) {
    WatchRequest request;
    request.set_job_id(job);
    auto context = connection.Call(kPlanSeconds);
    const auto stream = connection.jobs().Watch(context.get(), request);
    JobProgress progress;
    while (stream->Read(&progress)) {
      if (!progress.has_estimate()) continue;
      std::fprintf(stderr, "time: %s\n", InWords(progress.estimate()).c_str());
      break;
    }
    context->TryCancel();
    (void)stream->Finish();
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
  std::string note_, notify_, shots_;
};
REGISTER_COMMAND(Submit);

}  // namespace
}  // namespace selvage::client
