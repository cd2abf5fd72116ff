// `selvage submit`: hands a stack to the daemon.
#include <unistd.h>

#include <cstdio>
#include <random>

#include "absl/strings/str_format.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "client/watch.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Makes a submission that is repeated after a lost answer the same submission.
std::string RandomId() {
  std::random_device device;
  std::string id;
  for (int i = 0; i < 4; ++i) id += absl::StrFormat("%08x", device());
  return id;
}

}  // namespace

absl::Status RunSubmit(const Globals& globals, const SubmitOptions& options) {
  ASSIGN_OR_RETURN(const StackFile file, ReadStack(options.stack.stack, options.stack.set));
  Connection connection(globals);
  SubmitRequest request;
  *request.mutable_stack() = file.stack();
  request.set_request_id(RandomId());
  SubmitReply reply;
  absl::Status sent;
  for (int attempt = 0; attempt < 3; ++attempt) {
    auto context = connection.Call();
    sent = connection.Explain(connection.jobs().Submit(context.get(), request, &reply));
    if (!absl::IsUnavailable(sent)) break;
    if (attempt < 2) ::usleep(300'000);
  }
  RETURN_IF_ERROR(sent);
  RETURN_IF_ERROR(file.Refuse(reply.error()));
  if (!options.watch) {
    if (globals.json) {
      std::fputs(Json(reply).c_str(), stdout);
    } else {
      std::printf("job %s\n", reply.job_id().c_str());
    }
    return absl::OkStatus();
  }
  if (!globals.json) std::printf("job %s\n", reply.job_id().c_str());
  return WatchJob(globals, connection, reply.job_id(), &file);
}

}  // namespace selvage::client
