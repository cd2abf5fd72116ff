// Walks a whole cache: every tile is read and checked, every result must have
// all of its tiles.
#pragma once

#include <functional>

#include "absl/status/statusor.h"
#include "cache/committer.h"
#include "cache/result_index.h"
#include "cache/tile_store.h"
#include "proto/job.pb.h"

namespace selvage {

// `tiles` verifies what it reads, and deletes what is damaged. Results that lack
// a tile are forgotten: they are misses from then on. Work goes on meanwhile;
// what is put or evicted during the walk may be missed, never hurt.
// `show` is called about once a second and at the end; false ends the walk.
// Errors: CANCELLED by `show`; those of the stores.
absl::StatusOr<VerifyProgress> VerifyCache(TileStore& tiles, ResultIndex& index, Committer& committer,
                                           const std::function<bool(const VerifyProgress&)>& show);

}  // namespace selvage
