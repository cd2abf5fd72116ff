// `selvage workers`: who renders.
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunWorkers(const Globals& globals) {
  Connection connection(globals);
  WorkersReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Workers(context.get(), WorkersRequest(), &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }
  std::vector<std::vector<std::string>> rows;
  for (const WorkersReply::Worker& w : reply.worker()) {
    rows.push_back({w.name(), absl::StrCat(w.running(), " of ", w.slots()), absl::StrCat(w.done()),
                    Seconds(w.seconds_since_report()), w.draining() ? "leaving" : "working"});
  }
  std::fputs(Table({"worker", "running", "done", "last heard", "state"}, rows).c_str(), stdout);
  return absl::OkStatus();
}

}  // namespace selvage::client
