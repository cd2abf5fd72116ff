// `selvage check`: is the stack right?
#include <CLI/CLI.hpp>
#include <cstdio>

#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/stack_arguments.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Check final : public Command {
 public:
  CommandHelp help() const override {
    return {"check", Group::kStack, "Say whether a stack is right, or list its faults",
            "Every fault is one line, file:line:column and what to write instead. The first 20 faults of the\n"
            "writing are shown at once; names, ranges and kinds are looked at when there are none of those.\n"
            "Nothing is read but the stack, and nothing is rendered.\n"
            "  selvage check apiary_010.stack"};
  }
  void Declare(CLI::App* app) override { stack_.Declare(app); }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    Connection connection(globals);
    CheckRequest request;
    *request.mutable_stack() = file.stack();
    CheckReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Check(context.get(), request, &reply)));
    RETURN_IF_ERROR(file.Refuse(reply.error()));
    if (globals.json) {
      std::fputs(Json(reply).c_str(), stdout);
    } else {
      const int passes = file.stack().pass_size(), deliverables = file.stack().deliver_size();
      std::printf("%s: no faults; %d %s, %d %s, frames %d-%d\n", stack_.stack.c_str(), passes,
                  passes == 1 ? "pass" : "passes", deliverables, deliverables == 1 ? "deliverable" : "deliverables",
                  file.stack().frames().first(), file.stack().frames().last());
    }
    return absl::OkStatus();
  }

 private:
  StackArguments stack_;
};
REGISTER_COMMAND(Check);

}  // namespace
}  // namespace selvage::client
