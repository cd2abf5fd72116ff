// `selvage workers`: who renders, and how many should.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string WorkersTable(const WorkersReply& reply) {
  std::vector<std::vector<std::string>> rows;
  for (const WorkersReply::Worker& w : reply.worker()) {
    rows.push_back({w.name(), absl::StrCat(w.running(), " of ", w.slots()), absl::StrCat(w.done()),
                    Seconds(w.seconds_since_report()), w.draining() ? "leaving" : "working"});
  }
  return Table({"worker", "running", "done", "last heard", "state"}, rows);
}

std::string Wanted(const WorkersReply& reply, bool json) {
  if (!json) return absl::StrCat(reply.wanted_slots(), "\n");
  JsonObject out;
  out.Add("wanted_slots", absl::StrCat(reply.wanted_slots()));
  out.Add("ready_tasks", absl::StrCat(reply.ready_tasks()));
  out.Add("waiting_seconds", absl::StrCat(reply.waiting_seconds()));
  return out.text() + "\n";
}

class Workers final : public Command {
 public:
  CommandHelp help() const override {
    return {"workers", Group::kDaemon, "List the workers and what they do",
            "A worker renders as many tasks at a time as it has slots. More of them on this machine:\n"
            "  selvage-worker --server 127.0.0.1:7311\n"
            "`--want` is for scripts that start and end workers. It prints one number: how many slots there should\n"
            "be, those that are there included. That is one for each task that runs and each that could begin now,\n"
            "but no more than find ten seconds of work each, as far as it is known how long the tasks take; 0 when\n"
            "nothing is to do. With `--json`: also what waits.\n"
            "  want=$(selvage workers --want)"};
  }
  void Declare(CLI::App* app) override {
    app->add_flag("--want", want_, "Only how many slots there should be now, as a number");
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    WorkersReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Workers(context.get(), WorkersRequest(), &reply)));
    std::fputs((want_          ? Wanted(reply, globals.json)
                : globals.json ? Json(reply)
                               : WorkersTable(reply))
                   .c_str(),
               stdout);
    return absl::OkStatus();
  }

 private:
  bool want_ = false;
};
REGISTER_COMMAND(Workers);

}  // namespace
}  // namespace selvage::client
