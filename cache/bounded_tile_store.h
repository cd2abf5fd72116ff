// Refuses new tiles while the cache is full, and tells eviction what is on its
// way in.
#pragma once

#include <memory>

#include "cache/space.h"
#include "cache/tile_pins.h"
#include "cache/tile_store.h"

namespace selvage {

// Put fails with RESOURCE_EXHAUSTED while `fill` is full; everything else goes
// on. Digests that are asked for or put are spared by a running deletion.
class BoundedTileStore final : public TileStore {
 public:
  BoundedTileStore(std::shared_ptr<TileStore> below, std::shared_ptr<Fill> fill, std::shared_ptr<TilePins> pins);

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override;
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override;
  absl::Status Put(std::span<const StoredTile> tiles) override;
  absl::Status MakeDurable() override;
  absl::Status Delete(std::span<const Digest> digests) override;
  absl::Status Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) override;

 private:
  const std::shared_ptr<TileStore> below_;
  const std::shared_ptr<Fill> fill_;
  const std::shared_ptr<TilePins> pins_;
};

}  // namespace selvage
