// Checks every tile against its digest where it crosses a process or the disk.
#pragma once

#include <atomic>
#include <memory>

#include "cache/tile_store.h"

namespace selvage {

// A damaged tile is a missing one: Get gives nullopt, counts it, and deletes it
// from the store below, so that a new rendering of it is not taken for a
// repetition. Put refuses tiles whose bytes do not match.
// Not checked: FindMissing, which reads no tiles.
class VerifyingTileStore final : public TileStore {
 public:
  explicit VerifyingTileStore(std::shared_ptr<TileStore> below);

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override;
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override;
  // Errors, besides those below: INVALID_ARGUMENT bytes do not match their
  // digest; nothing was stored.
  absl::Status Put(std::span<const StoredTile> tiles) override;
  absl::Status MakeDurable() override;
  absl::Status Delete(std::span<const Digest> digests) override;
  absl::Status Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) override;

  // Tiles that were found damaged since the start.
  uint64_t damaged() const { return damaged_; }

 private:
  const std::shared_ptr<TileStore> below_;
  std::atomic<uint64_t> damaged_{0};
};

}  // namespace selvage
