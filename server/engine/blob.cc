#include "server/engine/blob.h"

#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "proto/status.h"

namespace selvage {

absl::StatusOr<std::string> ReadChunk(const Manifest& blob, size_t number, TileStore& tiles) {
  if (number >= TileCount(blob)) return absl::DataLossError("the blob ends early");
  const TileRef ref = GetTile(blob, number);
  ASSIGN_OR_RETURN(const auto found, tiles.Get({&ref.digest, 1}));
  if (!found.front()) return absl::DataLossError("a part of the file is missing in the cache; submit the job again");
  return DecodeTile(*found.front());
}

absl::StatusOr<std::string> ReadBlob(const Manifest& blob, TileStore& tiles) {
  std::string bytes;
  for (size_t i = 0; i < TileCount(blob); ++i) {
    ASSIGN_OR_RETURN(const std::string chunk, ReadChunk(blob, i, tiles));
    bytes += chunk;
  }
  if (bytes.size() != blob.blob_size()) return absl::DataLossError("the blob has another size than its manifest says");
  return bytes;
}

}  // namespace selvage
