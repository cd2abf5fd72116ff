// Stored form of a tile: codec byte, then coded bytes. Lossless.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "proto/digest.h"

namespace selvage {

// A tile of binary32 is 256 KiB, a blob chunk 1 MiB: the largest content.
inline constexpr size_t kMaxTileContent = 1 << 20;

// Content (raw samples, little-endian, rows packed) to stored form.
std::string EncodeTile(std::string_view content);
// Back; at most kMaxTileContent. Errors: DATA_LOSS for anything malformed.
absl::StatusOr<std::string> DecodeTile(std::string_view coded);
// Decodes and checks the digest. Errors: DATA_LOSS.
absl::StatusOr<std::string> DecodeVerified(std::string_view coded, const Digest& digest);

}  // namespace selvage
