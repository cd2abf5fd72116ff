// The bytes of an image file, taken once, and what can be told of them without
// decoding: type, sizes, whether the end is there. Decoders see only files that
// passed this, so that a forged header cannot make them allocate.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/digest.h"

namespace selvage {

enum class FileType { kExr, kDpx, kTiff, kPng, kJpeg };

// "openexr", "dpx", "tiff", "png", "jpeg": as OpenImageIO names its readers.
const char* ReaderName(FileType type);

// Bounds of a picture, of its parts and of where they lie.
inline constexpr int64_t kMaxSide = 65536;
inline constexpr int64_t kMaxPixels = int64_t{1} << 28;

// Errors: INVALID_ARGUMENT for anything beyond the bounds.
absl::Status CheckSize(std::string_view what, int64_t width, int64_t height);

struct PlateFile {
  std::string path;
  std::string bytes;
  Digest digest;  // of `bytes`
  uint64_t size = 0;
  int64_t mtime_ns = 0;
  uint64_t inode = 0;
  FileType type = FileType::kExr;
};

// Reads the whole file, at most 4 GiB.
// Errors: NOT_FOUND; INVALID_ARGUMENT a folder, empty, of no known type, or of
// another type than its name says, or cut short, or a size beyond the bounds;
// ABORTED changed while it was read; UNAVAILABLE the disk failed.
absl::StatusOr<PlateFile> ReadPlateFile(const std::string& path);

}  // namespace selvage
