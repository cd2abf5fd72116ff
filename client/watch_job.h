// Following a job, for `watch` and for `submit --watch`.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "client/connection.h"
#include "client/globals.h"
#include "client/language/stack_file.h"

namespace selvage::client {

// Prints progress until the job ends. `file`, when given, turns faults that only
// the plates show into file:line:column. Ctrl-C ends the program, not the job, and
// says how to see it again. Errors: ABORTED failed or cancelled.
absl::Status WatchJob(const Globals& globals, Connection& connection, const std::string& job, const StackFile* file);

}  // namespace selvage::client
