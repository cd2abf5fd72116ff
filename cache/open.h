// Puts the cache of a daemon together.
#pragma once

#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "cache/committer.h"
#include "cache/evict.h"
#include "cache/result_index.h"
#include "cache/tile_store.h"

namespace selvage {

struct CacheOptions {
  // Bytes that the state folder may take on disk.
  uint64_t cache_bytes = uint64_t{20} << 30;
  CommitterOptions committer;
};

struct CacheStats {
  uint64_t results = 0, tiles = 0;
  // Allocated on disk; as of the evictor's last tick.
  uint64_t bytes = 0, budget_bytes = 0;
  // Since the start: tiles that failed verification and records that could not be read;
  // results evicted.
  uint64_t damaged = 0, evicted = 0;
  // Takes no new tiles.
  bool full = false;
};

// Members are destroyed in the reverse of their order: the committer drains
// into stores that are still there.
struct Cache {
  // Verified, and bounded by the budget.
  std::shared_ptr<TileStore> tiles;
  std::shared_ptr<ResultIndex> index;
  // Does nothing until its Start is called.
  std::shared_ptr<Evictor> evictor;
  // All writes of results go through here.
  std::shared_ptr<Committer> committer;
  std::function<CacheStats()> stats;
  // OK, or why nothing can go on until the cache is opened again: its files were deleted,
  // or cannot be written any more. A daemon says so and ends. Cheap enough for every second.
  std::function<absl::Status()> health;
  // Copies all of it, as of one moment, into a new folder with which OpenCache
  // can be called; work goes on, eviction waits. Gives the bytes there. Not set
  // for a cache in memory.
  // Errors: INVALID_ARGUMENT not an absolute path, or inside the state folder;
  // ALREADY_EXISTS; NOT_FOUND its parent is not there; RESOURCE_EXHAUSTED.
  std::function<absl::StatusOr<uint64_t>(const std::string& folder)> backup;
};

// Creates what is not there. Damage among the tiles is set aside (format.h) and said in
// the log.
// Errors: FAILED_PRECONDITION the folder holds something else, or a cache of
// another version; UNAVAILABLE it is in use by another process, or the disk
// says no; DATA_LOSS its index is damaged; INVALID_ARGUMENT a budget below 64 MiB.
absl::StatusOr<Cache> OpenCache(const std::string& state_folder, const CacheOptions& options = {});

// The same in memory, without any file.
Cache OpenMemoryCache(const CacheOptions& options = {});

}  // namespace selvage
