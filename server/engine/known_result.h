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
  // It is there under the task's own key, with these warnings.
  bool own = false;
  std::vector<Warning> warnings;
  // The same pixels are there under another key.
  std::optional<ResultRecord> twin;
  // A result that the task reads is gone.
  std::optional<ResultKey> missing_input;
};
absl::StatusOr<KnownResult> FindKnownResult(const plan::PlannedTask& task, bool by_trace, const Cache& cache);

// The task as a worker gets it, or what it lacks.
struct Readied {
  TaskSpec spec;
  std::optional<ResultKey> missing_input;
};
absl::StatusOr<Readied> ReadyTask(const plan::Plan& plan, const plan::PlannedTask& task, const Cache& cache);

}  // namespace selvage
