#include "cache/open.h"

#include <algorithm>

#include "cache/backup.h"
#include "cache/bounded_tile_store.h"
#include "cache/disk_room.h"
#include "cache/memory_result_index.h"
#include "cache/memory_tile_store.h"
#include "cache/rocks_result_index.h"
#include "cache/rocks_tile_store.h"
#include "cache/state_folder.h"
#include "cache/verifying_tile_store.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr uint64_t kMinCacheBytes = 64 << 20;

class DiskSpace final : public Space {
 public:
  DiskSpace(std::string folder, std::shared_ptr<RocksTileStore> tiles)
      : folder_(std::move(folder)), tiles_(std::move(tiles)) {}
  uint64_t AllocatedBytes() override { return selvage::AllocatedBytes(folder_); }
  uint64_t AvailableBytes() override { return selvage::AvailableBytes(folder_); }
  uint64_t GarbageBytes() override { return tiles_->GarbageBytes(); }
  absl::Status Reclaim() override { return tiles_->Reclaim(); }
  void StopReclaiming() override { tiles_->StopReclaiming(); }

 private:
  const std::string folder_;
  const std::shared_ptr<RocksTileStore> tiles_;
};

class MemorySpace final : public Space {
 public:
  explicit MemorySpace(std::shared_ptr<MemoryTileStore> tiles) : tiles_(std::move(tiles)) {}
  uint64_t AllocatedBytes() override { return tiles_->bytes(); }
  // The budget is the only bound.
  uint64_t AvailableBytes() override { return uint64_t{1} << 62; }
  uint64_t GarbageBytes() override { return 0; }
  absl::Status Reclaim() override { return absl::OkStatus(); }
  void StopReclaiming() override {}

 private:
  const std::shared_ptr<MemoryTileStore> tiles_;
};

Cache Assemble(std::shared_ptr<TileStore> store, std::shared_ptr<ResultIndex> index, std::shared_ptr<Space> space,
               std::function<uint64_t()> count_tiles, std::function<uint64_t()> count_unreadable,
               const CacheOptions& options) {
  const auto fill = std::make_shared<Fill>();
  const auto pins = std::make_shared<TilePins>();
  const auto verifying = std::make_shared<VerifyingTileStore>(std::make_shared<BoundedTileStore>(store, fill, pins));
  EvictorOptions eviction;
  eviction.budget_bytes = options.cache_bytes;
  fill->Measured(space->AllocatedBytes(), options.cache_bytes);

  Cache cache;
  cache.tiles = verifying;
  cache.index = index;
  cache.evictor = std::make_shared<Evictor>(store, index, pins, fill, space, eviction);
  cache.committer = std::make_shared<Committer>(verifying, index, pins, options.committer);
  cache.stats = [=, evictor = cache.evictor, budget = options.cache_bytes] {
    CacheStats s;
    s.results = index->CountResults();
    s.tiles = count_tiles();
    s.bytes = fill->bytes();
    s.budget_bytes = budget;
    s.damaged = verifying->damaged() + count_unreadable();
    s.evicted = evictor->evicted();
    s.full = fill->full();
    return s;
  };
  return cache;
}

// A small budget must not go into half-empty files.
RocksTileStoreOptions TileOptions(uint64_t cache_bytes) {
  RocksTileStoreOptions o;
  o.write_buffer_bytes = std::clamp<uint64_t>(cache_bytes / 32, 1 << 20, 64 << 20);
  o.blob_file_bytes = std::clamp<uint64_t>(cache_bytes / 64, 1 << 20, 256 << 20);
  return o;
}

}  // namespace

absl::StatusOr<Cache> OpenCache(const std::string& state_folder, const CacheOptions& options) {
  if (options.cache_bytes < kMinCacheBytes) {
    return absl::InvalidArgumentError(
        absl::StrCat("a cache of ", options.cache_bytes, " bytes; at least ", kMinCacheBytes, " (64 MiB)"));
  }
  ASSIGN_OR_RETURN(const bool old, PrepareStateFolder(state_folder));
  // The index first: its lock says whether another daemon is here.
  ASSIGN_OR_RETURN(std::shared_ptr<RocksResultIndex> index, RocksResultIndex::Open(state_folder + "/index"));
  ASSIGN_OR_RETURN(std::shared_ptr<RocksTileStore> tiles,
                   RocksTileStore::Open(state_folder + "/tiles", TileOptions(options.cache_bytes)));
  if (old) RETURN_IF_ERROR(FinishStateFolder(state_folder));
  const auto space = std::make_shared<DiskSpace>(state_folder, tiles);
  Cache cache = Assemble(
      tiles, index, space, [tiles] { return tiles->CountTiles(); }, [tiles] { return tiles->CountUnreadable(); },
      options);
  cache.backup = [state_folder, tiles, index, evictor = cache.evictor](const std::string& folder) {
    return BackUp(state_folder, folder, *tiles, *index, *evictor);
  };
  return cache;
}

Cache OpenMemoryCache(const CacheOptions& options) {
  const auto tiles = std::make_shared<MemoryTileStore>();
  return Assemble(
      tiles, std::make_shared<MemoryResultIndex>(), std::make_shared<MemorySpace>(tiles),
      [tiles]() -> uint64_t { return tiles->count(); }, [] { return uint64_t{0}; }, options);
}

}  // namespace selvage
