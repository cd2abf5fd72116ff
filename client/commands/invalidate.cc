// `selvage invalidate`: no older result of this pass is ever used again.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/clock.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/frames.h"
#include "client/json.h"
#include "client/language/stack_file.h"
#include "client/owner.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Invalidate final : public Command {
 public:
  CommandHelp help() const override {
    return {"invalidate", Group::kDaemon, "Render passes again, whatever the cache holds",
            "From now on no older result is used, even by running jobs. Passes made from it are rendered again only\n"
            "where its pixels come out different:\n"
            "  selvage invalidate apiary_010.stack degrained --frames 1010-1012\n"
            "  selvage invalidate apiary_010.stack core --with-dependents\n"
            "  selvage invalidate apiary_010.stack --all\n"
            "A machine with bad memory; stop its worker first:\n"
            "  selvage invalidate --worker render3 --since 14:02"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("STACK", stack_, "The stack file, or the name of a stack");
    app->add_option("PASS", pass_, "The pass");
    app->add_flag("--all", all_, "Every pass of the stack");
    app->add_option("--frames", frames_, "Only these, as in 1001-1010; default: all")->type_name("A-B");
    app->add_flag("--with-dependents", with_dependents_,
                  "Also every pass made from it, even where the pixels come out the same");
    app->add_option("--worker", worker_,
                    "What this worker rendered, in all stacks: its name, or the host before the colon "
                    "(`selvage workers` lists them)")
        ->type_name("NAME");
    app->add_option("--since", since_,
                    "With --worker: rendered then or later; 14:02, \"2026-11-25 14:02\", 90m, 2h, 3d (ago)")
        ->type_name("TIME");
  }

  absl::Status Run(const Globals& globals) override {
    InvalidateRequest request;
    RETURN_IF_ERROR(worker_.empty() ? FillPasses(&request) : FillWorker(&request));
    request.set_with_dependents(with_dependents_);
    request.set_by(UserName());
    Connection connection(globals);
    InvalidateReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Invalidate(context.get(), request, &reply)));
    const std::string text = absl::StrCat(What(request, reply), with_dependents_ ? " and all passes made from it" : "",
                                          " will be rendered again when a job needs it\n");
    std::fputs((globals.json ? Json(reply) : text).c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string What(const InvalidateRequest& request, const InvalidateReply& reply) const {
    if (!worker_.empty()) return absl::StrCat("everything that ", worker_, " rendered (", reply.results(), " results)");
    return absl::StrCat(all_ ? "every pass" : absl::StrCat("pass \"", pass_, "\""), " of stack \"",
                        request.stack_name(), "\"", frames_.empty() ? "" : absl::StrCat(", frames ", frames_, ","));
  }

  absl::Status FillWorker(InvalidateRequest* request) const {
    if (!stack_.empty() || !pass_.empty() || all_ || !frames_.empty()) {
      return UsageError("--worker reaches all stacks: leave out stack, pass, --all and --frames");
    }
    request->set_worker(worker_);
    if (since_.empty()) return absl::OkStatus();
    ASSIGN_OR_RETURN(const int64_t since, ParseTime(since_, NowUnixMs()));
    request->set_since_unix_ms(since);
    return absl::OkStatus();
  }

  absl::Status FillPasses(InvalidateRequest* request) const {
    if (stack_.empty()) return UsageError("name a stack, or a worker with --worker");
    if (!since_.empty()) return UsageError("--since goes with --worker");
    if (pass_.empty() != all_) return UsageError("name one pass, or --all for every pass of the stack");
    request->set_stack_name(stack_);
    request->set_pass(pass_);
    std::error_code error;
    if (std::filesystem::is_regular_file(stack_, error)) RETURN_IF_ERROR(FillFromFile(request));
    if (frames_.empty()) return absl::OkStatus();
    ASSIGN_OR_RETURN(const Frames frames, ParseFrames(frames_));
    request->mutable_frames()->set_first(frames.first);
    request->mutable_frames()->set_last(frames.last);
    return absl::OkStatus();
  }

  absl::Status FillFromFile(InvalidateRequest* request) const {
    ASSIGN_OR_RETURN(const StackFile file, StackFile::Read(stack_));
    request->set_stack_name(file.stack().name());
    if (all_) return absl::OkStatus();
    std::vector<std::string> names;
    for (const Pass& pass : file.stack().pass()) names.push_back(pass.name());
    for (const Mask& mask : file.stack().mask()) {
      // Known to the daemon by this name: only a mask that follows is rendered on its own.
      if (!mask.has_follow()) continue;
      names.push_back(mask.name());
      if (mask.name() == pass_) request->set_pass(absl::StrCat("mask ", mask.name()));
    }
    if (std::find(names.begin(), names.end(), pass_) != names.end()) return absl::OkStatus();
    const std::string closest = ClosestName(pass_, names);
    return absl::NotFoundError(absl::StrCat(stack_, ": there is no pass \"", pass_, "\"",
                                            closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?")));
  }

  std::string stack_, pass_;
  bool all_ = false;
  std::string frames_;
  bool with_dependents_ = false;
  std::string worker_, since_;
};
REGISTER_COMMAND(Invalidate);

}  // namespace
}  // namespace selvage::client
