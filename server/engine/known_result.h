// What the cache knows of a task that is about to run. Blocks: for threads of
// the pool.
#pragma once

#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/open.h"
#include "server/plan/plan.h"

namespace selvage {

struct KnownResult {
  // It is known under the task's own key, with these warnings.
  bool own = false;
  // Its tiles are in the store, or those of its twin.
  bool has_tiles = false;
  std::vector<Warning> warnings;
  // The same pixels are there under another key.
  std::optional<ResultRecord> twin;
  // A result that the task reads is gone.
  std::optional<ResultKey> missing_input;
};
// `tiles`: it is of use only with its tiles.
absl::StatusOr<KnownResult> FindKnownResult(const plan::PlannedTask& task, bool by_trace, bool tiles,
                                            const Cache& cache);

// The task as a worker gets it, with those of `inner` that it cannot do without, or
// what it lacks.
struct Readied {
  TaskSpec spec;
  std::optional<ResultKey> missing_input;
};
absl::StatusOr<Readied> ReadyTask(const plan::Plan& plan, const plan::PlannedTask& task,
                                  const std::vector<const plan::PlannedTask*>& inner, const Cache& cache);

}  // namespace selvage
