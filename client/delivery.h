// The files of a deliverable, from the daemon to this machine.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/frames.h"
#include "client/written_files.h"
#include "proto/job.pb.h"
#include "proto/status.h"

namespace selvage::client {

// One deliverable of a job.
class Delivery {
 public:
  // `stopper` may end it from another thread; it may be null.
  Delivery(Connection* connection, const Stack& stack, const std::string& job, const Deliverable& deliverable,
           Stopper* stopper = nullptr);

  // What is written says from what it was made. Before anything is checked.
  void AskOrigin() { request_.set_origin(true); }
  // Sets the state of each file. What others wrote is never replaced by files of a smaller
  // size. Errors: as of WrittenFiles::Check.
  absl::Status Check(std::vector<FileToWrite>* files, bool overwrite);
  struct Written {
    uint64_t bytes = 0;
    Digest digest;
    FileOrigin origin;
  };
  // The folder must be there.
  absl::StatusOr<Written> Write(const FileToWrite& file);
  absl::Status End() { return written_.Record(); }

 private:
  Annotate Where(int frame) const { return Annotate(request_.deliverable(), " frame ", frame); }
  absl::StatusOr<Digest> ExpectedAt(int frame);

  Connection* connection_;
  Stopper* stopper_;
  FetchRequest request_;
  WrittenFiles written_;
  bool reduced_;
  // Of files that were there when they were checked.
  std::map<int, FileOrigin> origins_;
};

// The files of those frames that are wanted: where the stack says, or in `to`/NAME/ if it is not
// empty. `version`: of the submission, for {version} in the files' names. Of a stack at a smaller
// size the names say so: comp.1001.exr becomes comp_half.1001.exr.
// Errors: INVALID_ARGUMENT none of the frames is delivered.
absl::StatusOr<std::vector<FileToWrite>> FilesOf(const Stack& stack, uint32_t version, const Deliverable& deliverable,
                                                 const Frames& wanted, const std::string& to);

// "written", "unchanged", "replaced"
const char* StateWord(FileToWrite::State state);

}  // namespace selvage::client
