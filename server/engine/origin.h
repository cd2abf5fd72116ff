// From which files of plates a delivered file was made.
#pragma once

#include <memory>

#include "proto/job.pb.h"
#include "server/engine/epochs.h"
#include "server/engine/find_files.h"
#include "server/engine/tools.h"

namespace selvage {

// Of which file it is asked.
struct OriginRequest {
  std::shared_ptr<const Stack> stack;
  std::string deliverable;
  int32_t frame = 0;
  // Of the submission.
  uint32_t version = 0;
  ResultKey key;
  // Facts that may not be remembered yet.
  std::shared_ptr<const Round> round;
  Epochs::Snapshot epochs;
};

// Blocks. A plan of this one file is made again from the facts of plates that are remembered:
// if it comes to the same key, it is the one that the file was made by, and the plates that it
// reads are its sources. There are none in the answer if it does not, as when a plate has
// changed and was read again since.
FileOrigin OriginOf(const OriginRequest& request, const Tools& tools);

}  // namespace selvage
