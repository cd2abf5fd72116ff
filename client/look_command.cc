// `selvage look`: one frame of one pass as a PNG.
#include <cstdio>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunLook(const Globals& globals, const LookOptions& options) {
  ASSIGN_OR_RETURN(const StackFile file, ReadStack(options.stack.stack, options.stack.set));
  LookRequest request;
  *request.mutable_stack() = file.stack();
  request.set_pass(options.pass);
  request.set_frame(options.frame);
  LookPicture& look = *request.mutable_look();
  LookPicture::As as;
  if (!LookPicture::As_Parse(absl::StrCat("AS_", absl::AsciiStrToUpper(options.as)), &as)) {
    return absl::InvalidArgumentError(
        absl::StrCat("--as ", options.as, ": allowed are matte, black, checker, plate, background, color, wipe"));
  }
  look.set_as(as);
  look.set_behind(options.background);
  look.mutable_stops()->set_value(options.stops);
  look.mutable_wipe()->set_value(options.wipe);
  look.set_longest_side(options.longest_side);
  Connection connection(globals);
  const auto open = [&](grpc::ClientContext* context, uint64_t) { return connection.jobs().Look(context, request); };
  ASSIGN_OR_RETURN(const ReceivedFile picture, ReceiveFile(connection, open));
  RETURN_IF_ERROR(file.Refuse(picture.errors));
  RETURN_IF_ERROR(WriteFileAtomically(options.output, picture.bytes));
  std::fputs(Warnings(picture.warnings).c_str(), stderr);
  if (!globals.json) std::printf("%s\n", options.output.c_str());
  return absl::OkStatus();
}

}  // namespace selvage::client
