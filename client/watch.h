// Following a job, for `watch` and for `submit --watch`.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/stack_file.h"

namespace selvage::client {

// Prints progress until the job ends. `file`, when given, turns faults that only
// the plates show into file:line:column. Errors: ABORTED failed or cancelled.
absl::Status WatchJob(const Globals& globals, Connection& connection, const std::string& job, const StackFile* file);

}  // namespace selvage::client
