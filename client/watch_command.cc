// `selvage watch`: follows a job to its end.
#include "client/watch.h"

#include <sys/ioctl.h>
#include <unistd.h>

#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/output.h"
#include "client/progress.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status WatchJob(const Globals& globals, Connection& connection, const std::string& job, const StackFile* file) {
  winsize size{};
  const bool live = !globals.json && ::isatty(STDOUT_FILENO) && ::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 &&
                    size.ws_row > 4 && size.ws_col > 40;
  ProgressDisplay display(live, size.ws_row, size.ws_col);
  JobProgress progress;
  bool any = false;
  // A daemon that restarts takes the job up again: so do we, for two minutes.
  for (int attempt = 0;; ++attempt) {
    WatchRequest request;
    request.set_job_id(job);
    auto context = connection.Stream();
    auto stream = connection.jobs().Watch(context.get(), request);
    while (stream->Read(&progress)) {
      any = true;
      attempt = 0;
      if (!globals.json) std::fputs(display.Update(progress).c_str(), stdout);
      std::fflush(stdout);
    }
    const grpc::Status status = stream->Finish();
    if (status.ok()) break;
    if (status.error_code() != grpc::StatusCode::UNAVAILABLE || attempt >= 120 || !any) {
      return connection.Explain(status);
    }
    if (attempt == 0) std::fputs("the daemon is away; waiting for it to come back\n", stderr);
    ::sleep(1);
  }
  if (globals.json) {
    std::fputs(Json(progress).c_str(), stdout);
  } else {
    std::fputs(display.Final(progress).c_str(), stdout);
  }
  if (file != nullptr) RETURN_IF_ERROR(file->Refuse(progress.error()));
  if (progress.state() == JOB_DONE) return absl::OkStatus();
  std::string text = absl::StrCat("job ", job, " ", StateName(progress.state()));
  if (file == nullptr) {
    for (const StackError& e : progress.error()) absl::StrAppend(&text, "\n", e.path(), ": ", e.message());
  }
  return absl::AbortedError(text);
}

absl::Status RunWatch(const Globals& globals, const WatchOptions& options) {
  Connection connection(globals);
  ASSIGN_OR_RETURN(const std::string job, ResolveJob(connection, options.job));
  return WatchJob(globals, connection, job, nullptr);
}

}  // namespace selvage::client
