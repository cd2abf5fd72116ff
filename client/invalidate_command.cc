// `selvage invalidate`: nothing older of this pass is ever shown again.
#include <cstdio>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunInvalidate(const Globals& globals, const InvalidateOptions& options) {
  if (options.pass.empty() != options.all) {
    return absl::InvalidArgumentError("name one pass, or --all for every pass of the stack");
  }
  InvalidateRequest request;
  request.set_stack_name(options.stack);
  std::error_code error;
  if (std::filesystem::is_regular_file(options.stack, error)) {
    ASSIGN_OR_RETURN(const StackFile file, StackFile::Read(options.stack));
    request.set_stack_name(file.stack().name());
    bool known = options.all;
    for (const Pass& pass : file.stack().pass()) known |= pass.name() == options.pass;
    if (!known) {
      return absl::NotFoundError(absl::StrCat(options.stack, ": there is no pass \"", options.pass, "\""));
    }
  }
  request.set_pass(options.pass);
  if (!options.frames.empty()) {
    Frames frames;
    RETURN_IF_ERROR(ParseFrames(options.frames, &frames));
    request.mutable_frames()->set_first(frames.first);
    request.mutable_frames()->set_last(frames.last);
  }
  Connection connection(globals);
  InvalidateReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Invalidate(context.get(), request, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
  } else {
    std::printf("%s of stack \"%s\"%s will be rendered anew at the next submission\n",
                options.all ? "all passes" : absl::StrCat("pass \"", options.pass, "\"").c_str(),
                request.stack_name().c_str(),
                options.frames.empty() ? "" : absl::StrCat(", frames ", options.frames, ",").c_str());
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
