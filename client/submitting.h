// Handing a stack in.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/globals.h"
#include "client/language/stack_file.h"
#include "proto/stack.pb.h"

namespace selvage::client {

struct Submission {
  Stack stack;
  // For people: the file that it was read from, what was changed in it, and the note.
  std::string text;
  std::vector<std::string> set;
  std::string note;
};
// As the daemon is asked, with an id of its own: sent again, it is the same submission.
SubmitRequest ToRequest(const Connection& connection, const Submission& submission);
// Tries again where no answer came: it is the same submission then.
absl::StatusOr<SubmitReply> Send(Connection& connection, const Submission& submission);

// `submit --shots`: the stack for each shot of a list. A shot with a fault is told of, the
// others go on. `watch`: waits for all of them. Errors: INVALID_ARGUMENT some have faults;
// ABORTED a job failed.
absl::Status SubmitShots(const Globals& globals, Connection& connection, const StackFile& file,
                         const std::vector<std::string>& set, const std::string& note, const std::string& list,
                         bool watch);

}  // namespace selvage::client
