// Is what a worker hands in what its task asked for? Workers may be broken or
// forged; what passes here is stored, shown and delivered. Errors:
// INVALID_ARGUMENT says what is wrong; UNAVAILABLE it cannot be told now.
#pragma once

#include <map>

#include "absl/status/status.h"
#include "cache/result_index.h"
#include "cache/tile_store.h"
#include "proto/farm.pb.h"
#include "server/engine/find_files.h"
#include "server/plan/plan.h"

namespace selvage {

// Whatever the task is.
absl::Status CheckFacts(const TaskOutcome& outcome);
absl::Status CheckManifestOutcome(const TaskOutcome& outcome);
// What its time went into.
absl::Status CheckSpans(const TaskOutcome& outcome);

// Kind, precision and window of the result. Blocks: what the task reads is looked
// up, unless it was handed in together. Errors besides: those of the index.
absl::Status CheckAgainstTask(const TaskOutcome& outcome, const plan::PlannedTask& task, const plan::Plan& plan,
                              const Round& round, ResultIndex& index,
                              const std::map<ResultKey, const Manifest*>& handed_in = {});

// What a step of the planner's own made: numbers and outlines that others build
// on. Blocks: reads the blob. REQUIRES: its tiles are in the store.
absl::Status CheckBlob(const Manifest& manifest, const plan::PlannedTask& task, const plan::Plan& plan,
                       const Round& round, ResultIndex& index, TileStore& tiles);

}  // namespace selvage
