// What each command of `selvage` takes and does. One file a command
// (<name>_command.cc); the options are read in cli.cc.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace selvage::client {

// Exit codes, as `selvage --help` documents them.
enum ExitCode {
  kOk = 0,
  kRefused = 1,      // the stack or the request is wrong; the message says where
  kUsage = 2,        // the command line is wrong
  kNoDaemon = 3,     // no daemon answers
  kJobFailed = 4,    // the job failed or was cancelled
  kCannotWrite = 5,  // a file could not be written
};

// Prints what is wrong on standard error and gives the exit code for it.
int Report(const absl::Status& status);

struct Globals {
  // host:port of the daemon; --server, else SELVAGE_SERVER, else loopback.
  std::string server;
  // Machine-readable output instead of tables.
  bool json = false;
};

struct Frames {
  int first = 0, last = 0;
};
// "1001-1048" or "1001".
absl::Status ParseFrames(const std::string& text, Frames* frames);

struct StackOptions {
  std::string stack;
  std::vector<std::string> set;
};
struct NewOptions {
  // A pattern, or one frame's path.
  std::string plate;
  std::string output;
  std::string frames;
  std::string encoding;
  std::string background;
  // X,Y,WIDTH,HEIGHT or X,Y,WIDTH,HEIGHT@FRAME.
  std::string screen_box;
  bool force = false;
};
struct SubmitOptions {
  StackOptions stack;
  bool watch = false;
};
struct WatchOptions {
  std::string job = "last";
};
struct FetchOptions {
  std::string job = "last";
  std::string to;
  std::string deliverable;
  std::string frames;
};
struct WhyOptions {
  StackOptions stack;
  std::string pass;
  std::optional<int> frame;
};
struct InvalidateOptions {
  std::string stack;
  std::string pass;
  bool all = false;
  std::string frames;
  bool with_dependents = false;
  std::string worker;
  std::string since;
};
// "14:02" (today, or yesterday if that is still to come), "2026-11-25 14:02", or
// "90m", "2h", "3d" ago, as milliseconds since 1970.
absl::StatusOr<int64_t> ParseTime(const std::string& text, int64_t now_unix_ms);
struct LookOptions {
  StackOptions stack;
  std::string pass;
  int frame = 0;
  std::string as = "checker";
  std::string background;
  std::string output;
  double stops = 0;
  double wipe = 0.5;
  unsigned longest_side = 0;
};
struct ReportOptions {
  // A stack file, a job id or "last".
  StackOptions of{"last", {}};
  std::vector<std::string> passes;
  std::string core, garbage, plate, color;
  // "green" or "blue"; empty: as the stack says.
  std::string screen;
  std::string frames;
  std::optional<double> clip;
};
struct JobsOptions {
  unsigned limit = 20;
};
struct CacheOptions {
  std::string stack;
};
struct ReleaseOptions {
  std::string stack;
};
struct BackupOptions {
  std::string folder;
};
struct StepsOptions {
  std::string name;
};

absl::Status RunNew(const Globals&, const NewOptions&);
absl::Status RunCheck(const Globals&, const StackOptions&);
absl::Status RunPlan(const Globals&, const StackOptions&);
absl::Status RunWhy(const Globals&, const WhyOptions&);
absl::Status RunSubmit(const Globals&, const SubmitOptions&);
absl::Status RunWatch(const Globals&, const WatchOptions&);
absl::Status RunFetch(const Globals&, const FetchOptions&);
absl::Status RunInvalidate(const Globals&, const InvalidateOptions&);
absl::Status RunLook(const Globals&, const LookOptions&);
absl::Status RunReport(const Globals&, const ReportOptions&);
absl::Status RunJobs(const Globals&, const JobsOptions&);
absl::Status RunCancel(const Globals&, const WatchOptions&);
absl::Status RunWorkers(const Globals&);
absl::Status RunCache(const Globals&, const CacheOptions&);
absl::Status RunVerify(const Globals&);
absl::Status RunRelease(const Globals&, const ReleaseOptions&);
absl::Status RunBackup(const Globals&, const BackupOptions&);
absl::Status RunSteps(const Globals&, const StepsOptions&);

}  // namespace selvage::client
