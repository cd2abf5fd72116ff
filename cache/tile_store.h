// Where tile bytes live. Engines: rocks_tile_store (disk), memory_tile_store
// (tests), remote_tile_store (a worker's view of the daemon's); decorators:
// verifying_tile_store, read_through_tile_store.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/digest.h"

namespace selvage {

// A tile in stored form (tile_codec.h) under the digest of its content.
struct StoredTile {
  Digest digest;
  std::string data;
};

// All methods may be called from any thread.
class TileStore {
 public:
  virtual ~TileStore() = default;

  // Stored form of each, in order; nullopt where the store has none. Whether
  // bytes are verified depends on the decorator; plain engines do not.
  // Errors: UNAVAILABLE, DATA_LOSS only for a failure of the store as a whole.
  virtual absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) = 0;

  virtual absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) = 0;

  // Readable at once, durable only after MakeDurable. Repeating is harmless.
  // Errors: RESOURCE_EXHAUSTED no space.
  virtual absl::Status Put(std::span<const StoredTile> tiles) = 0;

  // Everything put before this call survives a crash once it returns OK.
  virtual absl::Status MakeDurable() = 0;

  // Repeating or unknown digests are harmless.
  virtual absl::Status Delete(std::span<const Digest> digests) = 0;

  // Up to `count` of the digests held, those after this one, in order, without
  // reading the tiles.
  // Errors: as Scan.
  virtual absl::StatusOr<std::vector<Digest>> List(const Digest& after, size_t count) {
    (void)after, (void)count;
    return absl::UnimplementedError("this store cannot list its tiles");
  }

  // Visits every digest held with the bytes of its stored form, in any order,
  // without reading the tiles; what is put or deleted meanwhile may be missed.
  // Errors: UNIMPLEMENTED where the store can't tell (a remote one).
  virtual absl::Status Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) {
    (void)visit;
    return absl::UnimplementedError("this store cannot list its tiles");
  }
};

}  // namespace selvage
