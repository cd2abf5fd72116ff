// `selvage cache release`: what a finished shot kept may go.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class CacheRelease final : public Command {
 public:
  CommandHelp help() const override {
    return {"release", Group::kDaemon, "No longer keep what the passes of a stack keep",
            "Passes with keep: ALWAYS stay in the cache as long as the newest plan of their stack has them, however\n"
            "much room others need. When the shot is done, this lets them go like anything else; submitting the\n"
            "stack again keeps them again.\n"
            "  selvage cache release apiary_010",
            "cache"};
  }
  void Declare(CLI::App* app) override { app->add_option("STACK", stack_, "Name of the stack")->required(); }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    ReleaseRequest request;
    request.set_stack_name(stack_);
    ReleaseReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Release(context.get(), request, &reply)));
    const std::string text = absl::StrCat(reply.results(), " results of \"", stack_,
                                          "\" are no longer kept on purpose; they stay until others need the room\n");
    std::fputs((globals.json ? Json(reply) : text).c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string stack_;
};
REGISTER_COMMAND(CacheRelease);

}  // namespace
}  // namespace selvage::client
