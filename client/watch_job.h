// Following a job, for `watch` and for `submit --watch`.
#pragma once

#include <functional>
#include <string>

#include "absl/status/status.h"
#include "client/connection.h"
#include "client/globals.h"
#include "client/language/stack_file.h"

namespace selvage::client {

// Of the option that fills WatchOptions::notify.
inline constexpr char kNotifyHelp[] =
    "Run this by the shell when the job has ended, as `notify-send \"$SELVAGE_STACK $SELVAGE_STATE\"` or "
    "`printf \\a` for a bell; SELVAGE_JOB is the job's id";

struct WatchOptions {
  // When given, turns faults that only the plates show into file:line:column.
  const StackFile* file = nullptr;
  // Run by the shell when the job has ended, with SELVAGE_JOB, SELVAGE_STACK and
  // SELVAGE_STATE (done, failed, cancelled) in its environment.
  std::string notify;
  // Asked several times a second, from another thread: true ends the watching.
  std::function<bool()> superseded;
};

// Prints progress until the job ends. Ctrl-C ends the program, not the job, and says
// how to see it again. Errors: ABORTED failed or cancelled; CANCELLED superseded.
absl::Status WatchJob(const Globals& globals, Connection& connection, const std::string& job,
                      const WatchOptions& options);

}  // namespace selvage::client
