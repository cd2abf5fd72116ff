// The folder that a daemon keeps its cache in.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace selvage {

// Creates the folder, or makes sure that it is one of ours and of a version that
// this program reads (format.h). True if it is an old one: call FinishStateFolder
// when the databases have been opened, hence are of the new one.
// Errors: FAILED_PRECONDITION it holds something else, or another version;
// UNAVAILABLE the file system says no.
absl::StatusOr<bool> PrepareStateFolder(const std::string& folder);

// Makes a folder with databases in it one of ours, of this version.
absl::Status FinishStateFolder(const std::string& folder);

// Bytes allocated to all files below a folder. Files that go while it looks
// don't count.
uint64_t AllocatedBytes(const std::string& folder);

}  // namespace selvage
