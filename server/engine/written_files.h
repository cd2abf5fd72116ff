// Which files fetches have written, so that a fetch replaces only its own.
#pragma once

#include "proto/job.pb.h"
#include "server/engine/commits.h"

namespace selvage {

// On the strand.
class WrittenFiles {
 public:
  WrittenFiles(Tools* tools, Commits* commits) : tools_(tools), commits_(commits) {}

  // Errors: INVALID_ARGUMENT too many, too long, a path that is not absolute.
  void Record(const RecordWrittenRequest& request, Then<RecordWrittenReply> then);
  void Find(const FindWrittenRequest& request, Then<FindWrittenReply> then);

 private:
  // Forgets the oldest beyond those that are remembered.
  void Bound();

  Tools* const tools_;
  Commits* const commits_;
  // Recorded since they were counted last.
  size_t uncounted_ = 0;
};

}  // namespace selvage
