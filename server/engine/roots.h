// The folders below which the daemon may read, and what lies there.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "absl/status/statusor.h"

namespace selvage {

// A file as it was when we looked.
struct FileState {
  uint64_t size = 0;
  int64_t mtime_ns = 0;
  uint64_t inode = 0;
  bool operator==(const FileState&) const = default;
};

class Roots {
 public:
  // Errors: NOT_FOUND a folder is not there.
  static absl::StatusOr<Roots> Open(const std::vector<std::string>& folders);

  // Symlinks are followed before it is decided whether the file lies below a root.
  // Errors: PERMISSION_DENIED it does not (whether or not it exists);
  // NOT_FOUND no such regular file.
  absl::StatusOr<FileState> Stat(const std::string& path) const;

  // For messages: "/shots, /plates".
  std::string Names() const;

 private:
  std::vector<std::string> real_;
};

}  // namespace selvage
