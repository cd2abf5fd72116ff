// Files that are whole or absent.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace selvage::client {

// Temporary name, fsync, rename: the file is whole or absent, and keeps the permissions of
// the one it replaces. Its folder must be there. Errors: PERMISSION_DENIED with the path and the reason.
absl::Status WriteFileAtomically(const std::string& path, const std::string& bytes);

// Makes the folder that the file lies in, and those above it. True if it was not
// there. Errors: PERMISSION_DENIED.
absl::StatusOr<bool> MakeFolderOf(const std::string& path);

}  // namespace selvage::client
