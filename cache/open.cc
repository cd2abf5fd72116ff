#include "cache/open.h"

#include <spdlog/spdlog.h>

#include <algorithm>

#include "cache/backup.h"
#include "cache/bounded_tile_store.h"
#include "cache/disk_room.h"
#include "cache/format.h"
#include "cache/memory_result_index.h"
#include "cache/memory_tile_store.h"
#include "cache/rocks_result_index.h"
#include "cache/rocks_tile_store.h"
#include "cache/set_aside.h"
#include "cache/verify.h"
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
  // Neither the reserve nor what was set aside can be evicted.
  uint64_t AllocatedBytes() override {
    return selvage::AllocatedBytes(folder_ + "/" + format::kTilesFolder) +
           selvage::AllocatedBytes(folder_ + "/" + format::kIndexFolder);
  }
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
RocksTileStoreOptions TileOptions(uint64_t cache_bytes, const std::string& state_folder) {
  RocksTileStoreOptions o;
  o.write_buffer_bytes = std::clamp<uint64_t>(cache_bytes / 32, 1 << 20, 64 << 20);
  o.blob_file_bytes = std::clamp<uint64_t>(cache_bytes / 64, 1 << 20, 256 << 20);
  // What may be on its way to the disk already when nothing new is taken any more.
  o.reserve = std::make_shared<DiskReserve>(state_folder, 2 * o.write_buffer_bytes + kIndexReserveBytes / 2);
  return o;
}

// Tiles can be rendered again, so damage must not keep the daemon from starting: the log
// is set aside, and if that does not help, all of the store.
absl::StatusOr<std::shared_ptr<RocksTileStore>> OpenTiles(const std::string& state_folder,
                                                          const RocksTileStoreOptions& options) {
  const std::string folder = state_folder + "/" + format::kTilesFolder;
  auto tiles = RocksTileStore::Open(folder, options);
  for (const bool whole : {false, true}) {
    if (!absl::IsDataLoss(tiles.status())) break;
    ASSIGN_OR_RETURN(const std::string aside,
                     SetAside(state_folder, format::kTilesFolder,
                              [&](const std::string& file) { return whole || file.ends_with(".log"); }));
    spdlog::warn("{} is damaged ({}). {} was moved to {}; what it held is rendered again when it is needed", folder,
                 std::string(tiles.status().message()), whole ? "All of it" : "Its log", aside);
    tiles = RocksTileStore::Open(folder, options);
  }
  RETURN_IF_ERROR(tiles.status());
  return std::shared_ptr<RocksTileStore>(*std::move(tiles));
}

// The index holds what cannot be rendered again, so nothing is decided for its owner.
absl::StatusOr<std::shared_ptr<RocksResultIndex>> OpenIndex(const std::string& state_folder,
                                                            const std::shared_ptr<DiskReserve>& reserve) {
  const std::string folder = state_folder + "/" + format::kIndexFolder;
  auto index = RocksResultIndex::Open(folder, reserve);
  if (absl::IsDataLoss(index.status())) {
    return absl::DataLossError(absl::StrCat(
        "the index is damaged (", index.status().message(), "). Put a backup in the place of ", state_folder,
        ", or move ", folder, " away: everything is rendered again then, and jobs must be submitted again"));
  }
  RETURN_IF_ERROR(index.status());
  return std::shared_ptr<RocksResultIndex>(*std::move(index));
}

// After all tiles were deleted or set aside, results that had some are misses at once:
// else each would be found missing only when somebody fetches it.
absl::Status ForgetWhereNoTileIsLeft(const Cache& cache, RocksTileStore& tiles) {
  if (tiles.CountTiles() > 0 || cache.index->CountResults() == 0) return absl::OkStatus();
  ASSIGN_OR_RETURN(const VerifyProgress walk, VerifyCache(*cache.tiles, *cache.index, *cache.committer,
                                                          [](const VerifyProgress&) { return true; }));
  if (walk.results_lost() > 0) {
    spdlog::warn("the tiles of {} results are gone; they are rendered again when they are needed", walk.results_lost());
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<Cache> OpenCache(const std::string& state_folder, const CacheOptions& options) {
  if (options.cache_bytes < kMinCacheBytes) {
    return absl::InvalidArgumentError(absl::StrCat(
        "a cache of ", options.cache_bytes, " bytes is too small; give it at least ", kMinCacheBytes, " (64 MiB)"));
  }
  ASSIGN_OR_RETURN(const bool old, PrepareStateFolder(state_folder));
  // The index first: its lock says whether another daemon is here.
  const RocksTileStoreOptions tile_options = TileOptions(options.cache_bytes, state_folder);
  ASSIGN_OR_RETURN(const auto index, OpenIndex(state_folder, tile_options.reserve));
  tile_options.reserve->Take();
  ASSIGN_OR_RETURN(const auto tiles, OpenTiles(state_folder, tile_options));
  if (old) RETURN_IF_ERROR(FinishStateFolder(state_folder));
  const auto space = std::make_shared<DiskSpace>(state_folder, tiles);
  Cache cache = Assemble(
      tiles, index, space, [tiles] { return tiles->CountTiles(); },
      [tiles, index] { return tiles->CountUnreadable() + index->CountUnreadable(); }, options);
  cache.health = [tiles, index] {
    const absl::Status status = index->Health();
    return status.ok() ? tiles->Health() : status;
  };
  cache.backup = [state_folder, tiles, index, evictor = cache.evictor](const std::string& folder) {
    return BackUp(state_folder, folder, *tiles, *index, *evictor);
  };
  RETURN_IF_ERROR(ForgetWhereNoTileIsLeft(cache, *tiles));
  return cache;
}

Cache OpenMemoryCache(const CacheOptions& options) {
  const auto tiles = std::make_shared<MemoryTileStore>();
  Cache cache = Assemble(
      tiles, std::make_shared<MemoryResultIndex>(), std::make_shared<MemorySpace>(tiles),
      [tiles]() -> uint64_t { return tiles->count(); }, [] { return uint64_t{0}; }, options);
  cache.health = [] { return absl::OkStatus(); };
  return cache;
}

}  // namespace selvage
