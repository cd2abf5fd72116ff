// Tiles in memory, for tests and for daemons without a state folder.
#pragma once

#include <limits>
#include <map>

#include "cache/tile_store.h"
#include "proto/mutex.h"

namespace selvage {

// Nothing survives the process; MakeDurable always succeeds.
class MemoryTileStore final : public TileStore {
 public:
  // Put fails with RESOURCE_EXHAUSTED, and stores nothing, beyond this many
  // bytes of stored form.
  explicit MemoryTileStore(uint64_t capacity_bytes = std::numeric_limits<uint64_t>::max());

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override;
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override;
  absl::Status Put(std::span<const StoredTile> tiles) override;
  absl::Status MakeDurable() override;
  absl::Status Delete(std::span<const Digest> digests) override;
  absl::StatusOr<std::vector<Digest>> List(const Digest& after, size_t count) override;
  absl::Status Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) override;

  uint64_t bytes() const;
  uint64_t count() const;

 private:
  const uint64_t capacity_bytes_;

  mutable Mutex mutex_;
  std::map<Digest, std::string> tiles_ ABSL_GUARDED_BY(mutex_);
  uint64_t bytes_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace selvage
