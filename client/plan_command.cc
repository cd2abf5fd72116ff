// `selvage plan`: what would be rendered, and why.
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunPlan(const Globals& globals, const StackOptions& options) {
  ASSIGN_OR_RETURN(const StackFile file, ReadStack(options.stack, options.set));
  Connection connection(globals);
  PlanRequest request;
  *request.mutable_stack() = file.stack();
  PlanReply reply;
  auto context = connection.Call(600);
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Plan(context.get(), request, &reply)));
  if (globals.json) std::fputs(Json(reply).c_str(), stdout);
  RETURN_IF_ERROR(file.Refuse(reply.error()));
  if (globals.json) return absl::OkStatus();
  std::vector<std::vector<std::string>> rows;
  uint64_t render = 0, reuse = 0;
  for (const PassPlan& p : reply.pass()) {
    render += p.render();
    reuse += p.reuse();
    std::string why;
    for (const PlanReason& r : p.reason()) {
      absl::StrAppend(&why, why.empty() ? "" : "; ", r.pass().empty() ? "" : absl::StrCat(r.pass(), ": "), r.text());
      if (r.frame_size() > 0) absl::StrAppend(&why, " (", FrameList(r.frame()), ")");
    }
    rows.push_back({p.pass(), absl::StrCat(p.render()), absl::StrCat(p.reuse()), why});
  }
  std::fputs(Table({"pass", "render", "reuse", "why"}, rows).c_str(), stdout);
  std::printf("%llu tasks to render, %llu to reuse\n", static_cast<unsigned long long>(render),
              static_cast<unsigned long long>(reuse));
  return absl::OkStatus();
}

}  // namespace selvage::client
