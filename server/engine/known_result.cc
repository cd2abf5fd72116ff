#include "server/engine/known_result.h"

#include <map>
#include <utility>

#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine/task_inputs.h"
#include "server/engine/warnings.h"

namespace selvage {

absl::StatusOr<KnownResult> FindKnownResult(const plan::PlannedTask& task, bool by_trace, const Cache& cache) {
  KnownResult known;
  ASSIGN_OR_RETURN(const auto own, cache.index->Find({&task.key, 1}));
  known.own = own.front().has_value();
  if (known.own) known.warnings = AsNamedBy(task, own.front()->warnings);
  if (known.own || !by_trace) return known;
  ASSIGN_OR_RETURN(Contents contents, ContentsOf(InputKeys(task), *cache.index));
  known.missing_input = contents.missing;
  if (contents.missing) return known;
  ASSIGN_OR_RETURN(const auto same, cache.index->FindTrace(plan::TraceKey(task, contents.digests)));
  if (!same) return known;
  ASSIGN_OR_RETURN(auto record, cache.index->Find({&*same, 1}));
  if (!record.front()) return known;
  ASSIGN_OR_RETURN(const auto lacking, cache.tiles->FindMissing(StoredDigests(record.front()->manifest)));
  if (!lacking.empty()) return known;
  known.twin = std::move(*record.front());
  known.twin->warnings = known.warnings = WarningsOf(task, OwnTexts(known.twin->warnings), contents.warnings);
  return known;
}

absl::StatusOr<Readied> ReadyTask(const plan::Plan& plan, const plan::PlannedTask& task, const Cache& cache) {
  Readied readied;
  const std::vector<ResultKey> keys = InputKeys(task);
  ASSIGN_OR_RETURN(const auto records, cache.index->Find(keys));
  std::map<ResultKey, const Manifest*> manifests;
  for (size_t i = 0; i < keys.size(); ++i) {
    if (records[i]) {
      manifests[keys[i]] = &records[i]->manifest;
    } else {
      readied.missing_input = keys[i];
    }
  }
  if (readied.missing_input) return readied;
  readied.spec = plan::MakeTaskSpec(plan, task, [&](const ResultKey& key) -> const Manifest* {
    auto it = manifests.find(key);
    return it == manifests.end() ? nullptr : it->second;
  });
  // Without it the task is only slower.
  auto earlier = EarlierOf(plan.stack_name, task, *cache.index);
  if (earlier.ok() && *earlier) *readied.spec.mutable_earlier() = *std::move(*earlier);
  cache.evictor->NoteUse(keys);
  return readied;
}

}  // namespace selvage
