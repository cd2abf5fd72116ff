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
#include "server/roots.h"
#include "server/sched/types.h"

namespace selvage {

// A plate file whose digest nobody knows yet.
struct Uninspected {
  PlateFile file;
  FileState state;
};

// Facts by path, and what the files looked like then.
using Facts = std::map<std::string, PlateFacts>;

struct FoundFiles {
  std::vector<StackError> errors;
  // As given, or all deliverables.
  std::vector<Target> targets;
  PlateFiles files;
  Facts facts;
  std::vector<Uninspected> uninspected;
};

// Everything that is wrong with a stack without reading plates, the files it
// needs, and remembered facts of those that have not changed since. No targets:
// all deliverables. `fresh`: facts just found, used if the file is still as it was.
absl::StatusOr<FoundFiles> FindFiles(const Stack& stack, const std::vector<Target>& targets, const Roots& roots,
                                     const Facts& fresh, ResultIndex& index);

// Facts are remembered under the path, and hold the size, time and inode.
std::string FactsName(const std::string& path);
bool SameFile(const PlateFacts& facts, const FileState& state);
// A file changed so recently that a further change could leave the same time
// behind must be read again next time.
bool WorthRemembering(const PlateFacts& facts, int64_t now_unix_ns);

std::vector<ResultKey> KeysOf(const Plan& plan);

// Identity of an inspection: single flight across jobs.
ResultKey InspectionKey(const std::string& path, const FileState& state);

struct Planned {
  std::shared_ptr<const Plan> plan;
  Probed probed;
  // Names that point elsewhere now although nothing is rendered.
  std::vector<NameRecord> names;
  // Why what is rendered is rendered (if asked for).
  std::vector<PassPlan> reasons;
  // Newest invalidation of the stack that the plan knows of.
  uint64_t epoch = 0;
  uint64_t hits = 0, misses = 0;
};
// All results of the plan are pinned when this succeeds without errors in the
// plan; the caller unpins them.
absl::StatusOr<Planned> MakePlan(const Stack& stack, const std::vector<Target>& targets, const FoundFiles& found,
                                 const Epochs& epochs, bool want_reasons, ResultIndex& index, Evictor& evictor);

// The plan as the scheduler wants it. `lines` gets the names of the groups.
sched::NewJob ToSchedulerJob(const Stack& stack, const std::vector<Target>& targets, const Planned& planned,
                             std::vector<std::string>* lines);

NameRecord NameOf(const Plan& plan, const PlannedTask& task);

}  // namespace selvage
