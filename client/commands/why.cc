// `selvage why`: why a pass would be rendered, or would not.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <optional>

#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "client/stack_arguments.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Why final : public Command {
 public:
  CommandHelp help() const override {
    return {"why", Group::kJob, "Say why a pass would be rendered, or would not",
            "Compares with the last submission of the stack and names the first thing that differs, also where\n"
            "it lies in a pass that this one is made from. Nothing is rendered.\n"
            "  selvage why apiary_010.stack boots_edge --frame 1012\n"
            "    boots_edge at 1012: levels.white 0.82 -> 0.79\n"
            "  selvage why apiary_010.stack \"deliver comp\"\n"
            "`selvage plan` says the same of all passes."};
  }
  void Declare(CLI::App* app) override {
    stack_.Declare(app);
    app->add_option("PASS", pass_, "A pass, or \"deliver NAME\"")->required();
    app->add_option("--frame,-f", frame_, "Only this frame; default: all of them");
  }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    WhyRequest request;
    *request.mutable_stack() = file.stack();
    request.set_pass(pass_);
    if (frame_) request.set_frame(*frame_);
    Connection connection(globals);
    WhyReply reply;
    auto context = connection.Call(600);
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Why(context.get(), request, &reply)));
    RETURN_IF_ERROR(file.Refuse(reply.error()));
    if (globals.json) std::fputs(Json(reply).c_str(), stdout);
    if (globals.json) return absl::OkStatus();
    for (const PlanReason& r : reply.reason()) {
      std::printf("%s at %s: %s\n", (r.pass().empty() ? pass_ : r.pass()).c_str(), FrameList(r.frame()).c_str(),
                  r.text().c_str());
    }
    return absl::OkStatus();
  }

 private:
  StackArguments stack_;
  std::string pass_;
  std::optional<int> frame_;
};
REGISTER_COMMAND(Why);

}  // namespace
}  // namespace selvage::client
