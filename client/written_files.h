// Which files a fetch may write: it never replaces a plate, nor anything that the
// same deliverable has not written itself. The daemon remembers what that was.
#pragma once

#include <functional>
#include <map>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/connection.h"
#include "proto/digest.h"
#include "proto/stack.pb.h"

namespace selvage::client {

struct FileToWrite {
  int frame = 0;
  std::string path;  // absolute
  // What the file holds, once Check has seen it: the same already, something
  // that is replaced, or nothing.
  enum State { kNew, kSame, kReplaced } state = kNew;
  // Of what is to be written; known where a file is there.
  Digest digest;
};

// Whether the path is that of a frame of a plate, there or not.
bool IsPlateFile(const std::string& path, const Stack& stack);

class WrittenFiles {
 public:
  WrittenFiles(Connection* connection, const Stack& stack, std::string deliverable)
      : connection_(connection), stack_(stack), deliverable_(std::move(deliverable)) {}
  ~WrittenFiles() { (void)Record(); }
  WrittenFiles(const WrittenFiles&) = delete;
  WrittenFiles& operator=(const WrittenFiles&) = delete;

  // Sets the state of each file. `overwrite`: files that somebody else wrote may
  // be replaced, too, but never a plate. `expected` gives the digest of what is to
  // be written. Errors: PERMISSION_DENIED with the first few files that may not be
  // replaced, and how many there are.
  using Expected = std::function<absl::StatusOr<Digest>(const FileToWrite&)>;
  absl::Status Check(std::vector<FileToWrite>* files, bool overwrite, const Expected& expected);

  // Notes a file that holds what this deliverable makes.
  absl::Status Note(const std::string& path, const Digest& digest);
  // Tells the daemon what was noted.
  absl::Status Record();

 private:
  absl::StatusOr<std::map<std::string, Digest>> Remembered(const std::vector<FileToWrite>& files);

  Connection* connection_;
  const Stack& stack_;
  std::string deliverable_;
  RecordWrittenRequest noted_;
};

}  // namespace selvage::client
