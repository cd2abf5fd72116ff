// What the daemon needs of the cache.
#pragma once

#include <functional>
#include <memory>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "cache/tile_store.h"

namespace selvage {

struct CacheTotals {
  uint64_t results = 0, tiles = 0, bytes = 0, budget_bytes = 0, damaged = 0, evicted = 0;
};

struct CacheAccess {
  // Verified: a damaged tile is a missing one.
  std::shared_ptr<TileStore> tiles;
  std::shared_ptr<ResultIndex> index;
  // Makes tiles durable, then commits; many callers share one write to disk.
  // Blocks until it is durable.
  std::function<absl::Status(IndexBatch)> commit;
  // Results that live jobs rely on: not evicted in between. Counted.
  std::function<void(std::span<const ResultKey>)> pin, unpin;
  // These results were used again.
  std::function<void(std::span<const ResultKey>)> touch;
  std::function<CacheTotals()> totals;
};

}  // namespace selvage
