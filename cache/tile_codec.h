// Stored form of a tile: codec byte, then coded bytes. Lossless.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "proto/digest.h"

namespace selvage {

// A tile of binary32 is 256 KiB, a blob chunk 1 MiB: the largest content.
inline constexpr size_t kMaxTileContent = 1 << 20;

// What a content's bytes are. Without samples: bytes of any sort.
struct TileLayout {
  size_t sample_bytes = 1;  // 2: binary16, 4: binary32; little-endian, rows packed
  size_t row_samples = 0;
};

// Content to stored form; the layout only makes it smaller. One that doesn't fit
// the content, or longer rows than 65,535, is taken for bytes.
std::string EncodeTile(std::string_view content, const TileLayout& layout = {});
// Back; at most kMaxTileContent. Errors: DATA_LOSS for anything malformed.
absl::StatusOr<std::string> DecodeTile(std::string_view coded);
// Decodes and checks the digest. Errors: DATA_LOSS.
absl::StatusOr<std::string> DecodeVerified(std::string_view coded, const Digest& digest);

}  // namespace selvage
