// Stored blobs: encoded files, pictures for eyes, measured numbers.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "cache/tile_store.h"
#include "proto/cache.pb.h"
#include "proto/digest.h"

namespace selvage {

// A stored blob and where its bytes are.
struct BlobRef {
  ResultKey key;
  Manifest manifest;
};

// Blocks. Chunk `number` of a blob. Errors: DATA_LOSS it is not there.
absl::StatusOr<std::string> ReadChunk(const Manifest& blob, size_t number, TileStore& tiles);
// All of it. REQUIRES: small enough for memory.
absl::StatusOr<std::string> ReadBlob(const Manifest& blob, TileStore& tiles);

}  // namespace selvage
