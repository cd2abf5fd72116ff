// A near store in front of a far one.
#pragma once

#include <memory>

#include "cache/tile_store.h"

namespace selvage {

// Reads from the front, and what is not there from the back, keeping it in
// front. Writes to the back, then to the front. What is held, and what is
// durable, is what the back says: the front may forget at any time, and its
// failures are never anybody's.
class ReadThroughTileStore final : public TileStore {
 public:
  ReadThroughTileStore(std::shared_ptr<TileStore> front, std::shared_ptr<TileStore> back);

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override;
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override;
  absl::Status Put(std::span<const StoredTile> tiles) override;
  absl::Status MakeDurable() override;
  absl::Status Delete(std::span<const Digest> digests) override;
  absl::Status Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) override;

 private:
  const std::shared_ptr<TileStore> front_, back_;
};

}  // namespace selvage
