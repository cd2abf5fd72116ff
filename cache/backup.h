// A copy of a cache that is in use.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "cache/evict.h"
#include "cache/rocks_result_index.h"
#include "cache/rocks_tile_store.h"

namespace selvage {

// As Cache::backup (open.h). It appears under its name when it is complete.
absl::StatusOr<uint64_t> BackUp(const std::string& state_folder, const std::string& to, RocksTileStore& tiles,
                                RocksResultIndex& index, Evictor& evictor);

}  // namespace selvage
