// Kinds of image files, and how large a picture in one may be.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "absl/status/status.h"

namespace selvage::worker {

enum class FileType { kExr, kDpx, kTiff, kPng, kJpeg };

// By the first bytes, and by the ending of the name.
std::optional<FileType> TypeByContent(std::string_view bytes);
std::optional<FileType> TypeByName(const std::string& path);

// For messages: "an OpenEXR".
const char* TypeName(FileType type);
// "openexr", "dpx", "tiff", "png", "jpeg": as OpenImageIO names its readers.
const char* ReaderName(FileType type);

// Bounds of a picture, of its parts and of where they lie.
inline constexpr int64_t kMaxSide = 65536;
inline constexpr int64_t kMaxPixels = int64_t{1} << 28;

// Errors: INVALID_ARGUMENT for anything beyond the bounds.
absl::Status CheckSize(std::string_view what, int64_t width, int64_t height);

}  // namespace selvage::worker
