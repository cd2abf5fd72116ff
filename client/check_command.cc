// `selvage check`: is the stack right?
#include <cstdio>

#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunCheck(const Globals& globals, const StackOptions& options) {
  ASSIGN_OR_RETURN(const StackFile file, ReadStack(options.stack, options.set));
  Connection connection(globals);
  CheckRequest request;
  *request.mutable_stack() = file.stack();
  CheckReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Check(context.get(), request, &reply)));
  if (globals.json) std::fputs(Json(reply).c_str(), stdout);
  RETURN_IF_ERROR(file.Refuse(reply.error()));
  if (!globals.json) {
    std::printf("%s: no faults; %d passes, %d deliverables, frames %d-%d\n", options.stack.c_str(),
                file.stack().pass_size(), file.stack().deliver_size(), file.stack().frames().first(),
                file.stack().frames().last());
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
