// How `selvage` ends, for scripts.
#pragma once

#include <string>

#include "absl/status/status.h"

namespace selvage::client {

// As the end of `selvage --help` lists them.
enum ExitCode {
  kOk = 0,
  kRefused = 1,        // the stack or the request is wrong; the message says where
  kUsage = 2,          // the command line is wrong
  kNoDaemon = 3,       // no daemon answers
  kJobFailed = 4,      // the job failed or was cancelled
  kCannotWrite = 5,    // a file could not be written, or may not be replaced
  kDaemonFault = 6,    // a fault inside the daemon, or no room left
  kNotAllowed = 7,     // the daemon does not take the token, or it does not allow this
  kDiffers = 8,        // `verify`: files are not as they were delivered
  kInterrupted = 130,  // Ctrl-C, as shells count it
};

// INVALID_ARGUMENT for a command line that is wrong by itself: exit code 2.
absl::Status UsageError(const std::string& text);

// UNAUTHENTICATED from a daemon: exit code 7.
absl::Status NotAllowed(const std::string& text);

// What was looked for and is printed already, as by `verify`: exit code 8.
absl::Status DifferenceFound(const std::string& text);
bool IsDifference(const absl::Status& status);

ExitCode ExitCodeOf(const absl::Status& status);

// The table of --help.
extern const char kExitCodeHelp[];

}  // namespace selvage::client
