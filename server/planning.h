// What a job does before the scheduler gets it: find its files, recall what is
// known of them, plan, probe. Blocks: for threads of the pool.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/evict.h"
#include "cache/result_index.h"
#include "server/epochs.h"
#include "server/plan/plan.h"
#include "server/plan_pins.h"
#include "server/roots.h"
#include "server/sched/types.h"

namespace selvage {

// A plate file whose digest nobody knows yet.
struct Uninspected {
  plan::PlateFile file;
  FileState state;
};

// Facts by path, and what the files looked like then.
using Facts = std::map<std::string, PlateFacts>;

struct FoundFiles {
  std::vector<StackError> errors;
  // As given, or all deliverables.
  std::vector<plan::Target> targets;
  plan::PlateFiles files;
  Facts facts;
  std::vector<Uninspected> uninspected;
};

// Everything that is wrong with a stack without reading plates, the files it
// needs, and remembered facts of those that have not changed since. No targets:
// all deliverables. `fresh`: facts just found, used if the file is still as it was.
absl::StatusOr<FoundFiles> FindFiles(const Stack& stack, const std::vector<plan::Target>& targets, const Roots& roots,
                                     const Facts& fresh, ResultIndex& index);

// Facts are remembered under the path, and hold the size, time and inode.
std::string FactsName(const std::string& path);
bool SameFile(const PlateFacts& facts, const FileState& state);
// A file changed so recently that a further change could leave the same time
// behind must be read again next time.
bool WorthRemembering(const PlateFacts& facts, int64_t now_unix_ns);

// Identity of an inspection: single flight across jobs.
ResultKey InspectionKey(const std::string& path, const FileState& state);

struct Planned {
  std::shared_ptr<const plan::Plan> plan;
  plan::Probed probed;
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
// All results of the plan that are needed are pinned when this succeeds without
// errors in the plan; the caller unpins them, by `pins`.
absl::StatusOr<Planned> MakePlan(const Stack& stack, const std::vector<plan::Target>& targets, const FoundFiles& found,
                                 const Epochs& epochs, Explain explain, ResultIndex& index, Evictor& evictor);

// The plan as the scheduler wants it. `lines` gets the names of the groups.
sched::NewJob ToSchedulerJob(const Stack& stack, const std::vector<plan::Target>& targets, const Planned& planned,
                             std::vector<std::string>* lines);

// Where a task's name and its ingredients are kept.
NameRecord NameOf(const plan::Plan& plan, const plan::PlannedTask& task);
std::string IngredientsName(const NameRecord& place);
// The task's result is what its name stands for from now on.
void AddName(const plan::Plan& plan, const plan::PlannedTask& task, IndexBatch* batch);

}  // namespace selvage
