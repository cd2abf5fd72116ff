// Where the pictures of a task come from: stored results, plates, masks.
#pragma once

#include <memory>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/tile_store.h"
#include "proto/farm.pb.h"
#include "worker/chain/source.h"
#include "worker/chain/spans.h"
#include "worker/files/plate_limits.h"
#include "worker/run/decoded_cache.h"

namespace selvage::worker {

// Errors of all three, when made or read:
//   DATA_LOSS         a stored tile is missing or damaged
//   ABORTED           the plate's bytes are not those that were planned with
//   INVALID_ARGUMENT  the plate or the mask cannot be read
// `spans`: of the task that reads them.

absl::StatusOr<std::shared_ptr<Source>> OpenStored(const Manifest& manifest, std::shared_ptr<TileStore> store,
                                                   DecodedCache* memory, const TaskSpans& spans = {});
absl::StatusOr<std::shared_ptr<Source>> OpenPlate(const PlateRead& read, const Rect& format, const PlateLimits& limits,
                                                  DecodedCache* memory, const TaskSpans& spans = {});
std::shared_ptr<Source> OpenMask(const ResolvedMask& mask, const Rect& format, const TaskSpans& spans = {});

// Bytes of a stored blob.
absl::StatusOr<std::string> ReadBlob(const Manifest& manifest, TileStore& store, const TaskSpans& spans = {});

// Key under which a decoded tile is remembered (its content, binary16 or
// binary32 samples as stored, is a std::string).
std::string TileMemoryKey(const Digest& digest);

}  // namespace selvage::worker
