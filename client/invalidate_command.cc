// `selvage invalidate`: nothing older of this pass is ever shown again.
#include <pwd.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <ctime>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/stack_file.h"
#include "proto/status.h"

namespace selvage::client {

namespace {

std::string UserName() {
  const passwd* user = ::getpwuid(::getuid());
  return user == nullptr ? "" : user->pw_name;
}

absl::Status FillWorker(const InvalidateOptions& options, InvalidateRequest* request) {
  if (!options.stack.empty() || !options.pass.empty() || options.all || !options.frames.empty()) {
    return absl::InvalidArgumentError("--worker reaches all stacks: leave out stack, pass, --all and --frames");
  }
  request->set_worker(options.worker);
  if (options.since.empty()) return absl::OkStatus();
  const auto now = std::chrono::system_clock::now().time_since_epoch();
  ASSIGN_OR_RETURN(const int64_t since,
                   ParseTime(options.since, std::chrono::duration_cast<std::chrono::milliseconds>(now).count()));
  request->set_since_unix_ms(since);
  return absl::OkStatus();
}

absl::Status FillPasses(const InvalidateOptions& options, InvalidateRequest* request) {
  if (options.stack.empty()) return absl::InvalidArgumentError("name a stack, or a worker with --worker");
  if (!options.since.empty()) return absl::InvalidArgumentError("--since goes with --worker");
  if (options.pass.empty() != options.all) {
    return absl::InvalidArgumentError("name one pass, or --all for every pass of the stack");
  }
  request->set_stack_name(options.stack);
  std::error_code error;
  if (std::filesystem::is_regular_file(options.stack, error)) {
    ASSIGN_OR_RETURN(const StackFile file, StackFile::Read(options.stack));
    request->set_stack_name(file.stack().name());
    bool known = options.all;
    for (const Pass& pass : file.stack().pass()) known |= pass.name() == options.pass;
    for (const Mask& mask : file.stack().mask()) {
      // Known to the daemon by this name: only a mask that follows is rendered on its own.
      if (!mask.has_follow() || mask.name() != options.pass) continue;
      known = true;
      request->set_pass(absl::StrCat("mask ", mask.name()));
    }
    if (!known) {
      return absl::NotFoundError(absl::StrCat(options.stack, ": there is no pass \"", options.pass, "\""));
    }
  }
  if (request->pass().empty()) request->set_pass(options.pass);
  if (options.frames.empty()) return absl::OkStatus();
  Frames frames;
  RETURN_IF_ERROR(ParseFrames(options.frames, &frames));
  request->mutable_frames()->set_first(frames.first);
  request->mutable_frames()->set_last(frames.last);
  return absl::OkStatus();
}

}  // namespace

absl::Status RunInvalidate(const Globals& globals, const InvalidateOptions& options) {
  InvalidateRequest request;
  RETURN_IF_ERROR(options.worker.empty() ? FillPasses(options, &request) : FillWorker(options, &request));
  request.set_with_dependents(options.with_dependents);
  request.set_by(UserName());
  Connection connection(globals);
  InvalidateReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().Invalidate(context.get(), request, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }
  const std::string what =
      !options.worker.empty()
          ? absl::StrCat(reply.results(), " results that ", options.worker, " made")
          : absl::StrCat(options.all ? "all passes" : absl::StrCat("pass \"", options.pass, "\""), " of stack \"",
                         request.stack_name(), "\"",
                         options.frames.empty() ? "" : absl::StrCat(", frames ", options.frames, ","));
  std::printf("%s%s will be rendered anew at the next submission\n", what.c_str(),
              options.with_dependents ? " and everything below" : "");
  return absl::OkStatus();
}

absl::StatusOr<int64_t> ParseTime(const std::string& text, int64_t now_unix_ms) {
  const time_t now = now_unix_ms / 1000;
  std::tm t{};
  localtime_r(&now, &t);
  t.tm_isdst = -1;
  int count = 0, end = 0;
  char unit = 0;
  const int size = static_cast<int>(text.size());
  if (std::sscanf(text.c_str(), "%d%c%n", &count, &unit, &end) == 2 && end == size && count >= 0 &&
      (unit == 'm' || unit == 'h' || unit == 'd')) {
    return now_unix_ms - int64_t{count} * 60'000 * (unit == 'm' ? 1 : unit == 'h' ? 60 : 24 * 60);
  }
  const bool of_day = std::sscanf(text.c_str(), "%2d:%2d%n", &t.tm_hour, &t.tm_min, &end) == 2 && end == size;
  const bool dated = !of_day &&
                     std::sscanf(text.c_str(), "%4d-%2d-%2d %2d:%2d%n", &t.tm_year, &t.tm_mon, &t.tm_mday, &t.tm_hour,
                                 &t.tm_min, &end) == 5 &&
                     end == size;
  t.tm_sec = 0;
  if (dated) t.tm_year -= 1900, t.tm_mon -= 1;
  const bool valid = t.tm_mon >= 0 && t.tm_mon < 12 && t.tm_mday >= 1 && t.tm_mday <= 31 && t.tm_hour >= 0 &&
                     t.tm_hour < 24 && t.tm_min >= 0 && t.tm_min < 60;
  if ((!of_day && !dated) || !valid) {
    return absl::InvalidArgumentError(
        absl::StrCat("\"", text, "\" is no time; expected 14:02, \"2026-11-25 14:02\", or 90m, 2h, 3d (ago)"));
  }
  time_t then = std::mktime(&t);
  // The shift that began yesterday evening.
  if (of_day && then > now) {
    --t.tm_mday;
    t.tm_isdst = -1;
    then = std::mktime(&t);
  }
  return int64_t{then} * 1000;
}

}  // namespace selvage::client
