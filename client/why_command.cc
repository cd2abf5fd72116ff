// `selvage why`: why a pass would be rendered, or would not.
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunWhy(const Globals& globals, const WhyOptions& options) {
  ASSIGN_OR_RETURN(const StackFile file, ReadStack(options.stack.stack, options.stack.set));
  WhyRequest request;
  *request.mutable_stack() = file.stack();
  request.set_pass(options.pass);
  if (options.frame) request.set_frame(*options.frame);
  Connection connection(globals);
  WhyReply reply;
  auto context = connection.Call(600);
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Why(context.get(), request, &reply)));
  if (globals.json) std::fputs(Json(reply).c_str(), stdout);
  RETURN_IF_ERROR(file.Refuse(reply.error()));
  if (globals.json) return absl::OkStatus();
  for (const PlanReason& r : reply.reason()) {
    std::printf("%s at %s: %s\n", (r.pass().empty() ? options.pass : r.pass()).c_str(), FrameList(r.frame()).c_str(),
                r.text().c_str());
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
