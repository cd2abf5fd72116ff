// A plan: what must be rendered for a round, what is reused, and why.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/evict.h"
#include "cache/result_index.h"
#include "server/engine/epochs.h"
#include "server/engine/find_files.h"
#include "server/engine/plan_pins.h"
#include "server/engine/working_edge.h"
#include "server/plan/plan.h"
#include "server/plan/storing.h"

namespace selvage {

// Never changed once it is made, but for its pins, which are the strand's.
struct Planned {
  std::shared_ptr<const Round> round;
  std::shared_ptr<const plan::Plan> plan;
  plan::Probed probed;
  // One a task.
  std::vector<Storing> storing;
  // Not set for a plan with errors, which pins nothing.
  std::shared_ptr<PlanPins> pins;
  // Tasks that are not rendered although their names point elsewhere: by place.
  std::vector<size_t> renamed;
  // Why what is rendered is rendered (Explain::kPasses).
  std::vector<PassPlan> reasons;
  // Why each target is, or is not (Explain::kTargets).
  std::vector<PlanReason> why;
  // Newest invalidation of the stack that the plan knows of.
  uint64_t epoch = 0;
  uint64_t hits = 0, misses = 0;
};
enum class Explain { kNothing, kPasses, kTargets };

// What decides which results are stored.
struct StoringPolicy {
  const plan::StoringRules& rules;
  WorkingEdge* edge;
  // The plan will be rendered: what changed in it is being worked on.
  bool renders = false;
};

// Blocks. All results of the plan that are needed are pinned when this succeeds
// without errors in the plan; the caller unpins them, by `pins`.
absl::StatusOr<std::shared_ptr<const Planned>> MakePlan(std::shared_ptr<const Round> round,
                                                        const Epochs::Snapshot& epochs, Explain explain,
                                                        int64_t now_unix_ms, ResultIndex& index, Evictor& evictor,
                                                        const GivenUp& given_up, const plan::Limits& limits,
                                                        const StoringPolicy& storing);

}  // namespace selvage
