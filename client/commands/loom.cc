// `selvage loom`: the page.
#include <CLI/CLI.hpp>

#include "client/command.h"
#include "client/exit_code.h"
#include "client/loom/loom.h"

namespace selvage::client {
namespace {

class LoomCommand final : public Command {
 public:
  CommandHelp help() const override {
    return {"loom", Group::kResult, "Open a page to look, draw, and change a stack by hand",
            "Serves the page on this machine only and opens a browser; Ctrl-C ends it. The stack file stays what\n"
            "counts: what is changed in the page is changed in the file, and the page follows an editor that saves\n"
            "it. Jobs go on when the page is closed.\n"
            "  selvage loom apiary_010.stack\n"
            "  selvage loom                      the farm and all jobs\n"
            "  selvage loom --job last           a submitted stack, read-only\n"
            "  selvage loom apiary_010.stack --no-open --port 7400"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("STACK", options_.stack, "The stack file");
    app->add_option("--job", options_.job, "Show the stack of this job, read-only; `last`: your newest one")
        ->type_name("ID");
    app->add_option("--port", options_.port, "Port on this machine; default: any that is free")
        ->check(CLI::Range(0, 65535));
    app->add_flag("--no-open", closed_, "Print the address, but open no browser");
    app->add_option("--page-from", options_.page_from, "The page's files from this folder, for those who work on them")
        ->type_name("DIR");
  }

  absl::Status Run(const Globals& globals) override {
    if (!options_.stack.empty() && !options_.job.empty()) return UsageError("name a stack or a --job, not both");
    options_.open = !closed_;
    return RunLoom(globals, options_);
  }

 private:
  LoomOptions options_;
  bool closed_ = false;
};
REGISTER_COMMAND(LoomCommand);

}  // namespace
}  // namespace selvage::client
