// Why frames would be rendered: for `selvage plan` and `selvage why`.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "proto/ingredients.pb.h"
#include "server/plan/plan.h"

namespace selvage::plan {

// What is remembered of the last submission of a stack.
struct Remembered {
  // All names of the stack, from ResultIndex::FindNames.
  std::vector<NameRecord> names;
  // What the result was made of that a name stood for; nullopt if nobody knows.
  std::function<std::optional<Ingredients>(const NameRecord& name)> ingredients;
  // Whether the result's tiles were found damaged, and it was not rendered since.
  std::function<bool(const ResultKey& key)> damaged;
  // "invalidated by jo, 14:02", of a journal number.
  std::function<std::string(uint64_t epoch)> invalidation;
  // What is explained is then incomplete, and nobody wants it.
  GiveUp give_up;
};

// For each pass of the plan ("core", "deliver comp"), in the order in which
// they build on each other: how many tasks, how many would be rendered, and for
// those why. A frame has the reason of its first segment that would be rendered:
//   not rendered before                        no such name
//   levels.white 0.82 -> 0.79, and the like    other recipe: the first difference
//   invalidated by jo, 14:02                   same settings, other epoch
//   the same of a pass that it is made from    same recipe, other key
//   evicted from the cache                     same key
//   found damaged in the cache                 same key, and known as such
//   its pixels were not kept                   same key, and it is to be stored now
std::vector<PassPlan> ExplainPlan(const Stack& stack, const Plan& plan, const Probed& probed, const Remembered& before);

// The same for the targets of the plan alone, also for those that would not be
// rendered. REQUIRES: `probed` asked for all targets (Probe does).
std::vector<PlanReason> ExplainTargets(const Stack& stack, const Plan& plan, const std::vector<Target>& targets,
                                       const Probed& probed, const Remembered& before);

}  // namespace selvage::plan
