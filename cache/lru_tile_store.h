// The most recently used tiles in memory, bounded in bytes: the front of a
// read-through store.
#pragma once

#include <list>
#include <unordered_map>

#include "cache/tile_store.h"
#include "proto/mutex.h"

namespace selvage {

// Forgets the least recently used tiles instead of failing; Put never fails.
class LruTileStore final : public TileStore {
 public:
  explicit LruTileStore(uint64_t capacity_bytes);

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override;
  // Does not count as use.
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override;
  absl::Status Put(std::span<const StoredTile> tiles) override;
  absl::Status MakeDurable() override;
  absl::Status Delete(std::span<const Digest> digests) override;

  // Bytes held, book-keeping included; never above the capacity.
  uint64_t bytes() const;

 private:
  using Order = std::list<StoredTile>;
  void RemoveLocked(Order::iterator tile) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  const uint64_t capacity_bytes_;

  mutable Mutex mutex_;
  // Most recently used first.
  Order order_ ABSL_GUARDED_BY(mutex_);
  std::unordered_map<Digest, Order::iterator, DigestHash> where_ ABSL_GUARDED_BY(mutex_);
  uint64_t bytes_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace selvage
