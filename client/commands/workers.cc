// `selvage workers`: who renders.
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

class Workers final : public Command {
 public:
  CommandHelp help() const override {
    return {"workers", Group::kDaemon, "List the workers and what they do",
            "A worker renders as many tasks at a time as it has slots. More of them on this machine:\n"
            "  selvage-worker --server 127.0.0.1:7311"};
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    WorkersReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Workers(context.get(), WorkersRequest(), &reply)));
    std::fputs((globals.json ? Json(reply) : WorkersTable(reply)).c_str(), stdout);
    return absl::OkStatus();
  }
};
REGISTER_COMMAND(Workers);

}  // namespace
}  // namespace selvage::client
