// The bytes of an image file, taken once, and what can be told of them without
// decoding: type, sizes, whether the end is there. Decoders see only files that
// passed this, so that a forged header cannot make them allocate.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/statusor.h"
#include "proto/digest.h"
#include "worker/files/file_type.h"
#include "worker/files/plate_limits.h"

namespace selvage::worker {

struct PlateFile {
  std::string path;
  std::string bytes;
  Digest digest;  // of `bytes`
  uint64_t size = 0;
  int64_t mtime_ns = 0;
  uint64_t inode = 0;
  FileType type = FileType::kExr;
};

// Reads the whole file.
// Errors: NOT_FOUND; INVALID_ARGUMENT a folder, empty, of no known type, or of
// another type than its name says, or cut short, or beyond the bounds or limits;
// ABORTED changed while it was read; UNAVAILABLE the disk failed.
absl::StatusOr<PlateFile> ReadPlateFile(const std::string& path, const PlateLimits& limits = {});

}  // namespace selvage::worker
