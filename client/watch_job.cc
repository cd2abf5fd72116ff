#include "client/watch_job.h"

#include <signal.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <chrono>
#include <condition_variable>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <mutex>
#include <optional>
#include <thread>

#include "absl/strings/str_cat.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/output.h"
#include "client/progress.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Read by a signal handler, which must not allocate.
char interrupt_note[512];

void OnInterrupt(int) {
  if (::write(STDERR_FILENO, interrupt_note, std::strlen(interrupt_note)) < 0) ::_exit(kInterrupted);
  ::_exit(kInterrupted);
}

// While it lives, Ctrl-C says that the job goes on.
class InterruptNote {
 public:
  explicit InterruptNote(const std::string& job) {
    std::snprintf(interrupt_note, sizeof interrupt_note,
                  "\njob %.64s goes on; `selvage watch %.64s` follows it again, `selvage cancel %.64s` stops it\n",
                  job.c_str(), job.c_str(), job.c_str());
    struct sigaction action = {};
    action.sa_handler = OnInterrupt;
    ::sigaction(SIGINT, &action, &before_);
  }
  ~InterruptNote() { ::sigaction(SIGINT, &before_, nullptr); }
  InterruptNote(const InterruptNote&) = delete;
  InterruptNote& operator=(const InterruptNote&) = delete;

 private:
  struct sigaction before_ = {};
};

// nullopt where the output is no terminal, or one too small to draw in.
std::optional<Window> TerminalWindow() {
  winsize size{};
  if (!::isatty(STDOUT_FILENO) || ::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0) return std::nullopt;
  if (size.ws_row <= 4 || size.ws_col < 20) return std::nullopt;
  return Window{size.ws_row, size.ws_col};
}

// Ends a call when `superseded` says so; asks until it goes away.
class Superseding {
 public:
  Superseding(const std::function<bool()>& superseded, grpc::ClientContext* context) {
    if (superseded) thread_ = std::thread([=, this] { Ask(superseded, context); });
  }
  ~Superseding() {
    {
      std::lock_guard<std::mutex> lock(mutex_);
      over_ = true;
    }
    changed_.notify_all();
    if (thread_.joinable()) thread_.join();
  }
  Superseding(const Superseding&) = delete;
  Superseding& operator=(const Superseding&) = delete;

 private:
  void Ask(const std::function<bool()>& superseded, grpc::ClientContext* context) {
    std::unique_lock<std::mutex> lock(mutex_);
    while (!changed_.wait_for(lock, std::chrono::milliseconds(200), [this] { return over_; })) {
      if (!superseded()) continue;
      context->TryCancel();
      return;
    }
  }
  std::mutex mutex_;
  std::condition_variable changed_;
  bool over_ = false;
  std::thread thread_;
};

void Notify(const std::string& command, const std::string& job, const JobProgress& progress) {
  if (command.empty()) return;
  ::setenv("SELVAGE_JOB", job.c_str(), 1);
  ::setenv("SELVAGE_STACK", progress.stack_name().c_str(), 1);
  ::setenv("SELVAGE_STATE", StateName(progress.state()).c_str(), 1);
  std::fflush(stdout);
  if (std::system(command.c_str()) != 0) std::fprintf(stderr, "--notify: `%s` failed\n", command.c_str());
}

// Reads until the job has ended. A daemon that restarts takes the job up again: so
// do we, for two minutes.
absl::StatusOr<JobProgress> Follow(const Globals& globals, Connection& connection, const std::string& job,
                                   const std::function<bool()>& superseded, ProgressDisplay* display) {
  JobProgress progress;
  bool any = false;
  for (int attempt = 0;; ++attempt) {
    WatchRequest request;
    request.set_job_id(job);
    auto context = connection.Stream();
    const Superseding superseding(superseded, context.get());
    auto stream = connection.jobs().Watch(context.get(), request);
    while (stream->Read(&progress)) {
      any = true;
      attempt = 0;
      if (globals.json) continue;
      std::fputs(display->Update(progress, TerminalWindow()).c_str(), stdout);
      std::fflush(stdout);
    }
    const grpc::Status status = stream->Finish();
    if (status.ok()) return progress;
    if (status.error_code() == grpc::StatusCode::CANCELLED && superseded) {
      return absl::CancelledError("the stack was saved again");
    }
    if (status.error_code() != grpc::StatusCode::UNAVAILABLE || attempt >= 120 || !any) {
      return connection.Explain(status);
    }
    if (attempt == 0) std::fputs("the daemon is away; waiting for it to come back\n", stderr);
    if (superseded && superseded()) return absl::CancelledError("the stack was saved again");
    ::sleep(1);
  }
}

}  // namespace

absl::Status WatchJob(const Globals& globals, Connection& connection, const std::string& job,
                      const WatchOptions& options) {
  ProgressDisplay display(!globals.json && TerminalWindow().has_value());
  const InterruptNote note(job);
  ASSIGN_OR_RETURN(const JobProgress progress, Follow(globals, connection, job, options.superseded, &display));
  std::fputs((globals.json ? Json(progress) : display.Final(progress, TerminalWindow())).c_str(), stdout);
  Notify(options.notify, job, progress);
  if (progress.state() == JOB_DONE) return absl::OkStatus();
  std::string text =
      absl::StrCat("job ", job, " ", progress.state() == JOB_CANCELLED ? "was " : "", StateName(progress.state()));
  for (const StackError& e : progress.error()) {
    absl::StrAppend(&text, "\n", options.file != nullptr ? options.file->Locate(e.path()) : e.path(), ": ",
                    e.message());
  }
  return absl::AbortedError(text);
}

}  // namespace selvage::client
