#include "server/engine/known_result.h"

#include <map>
#include <utility>

#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine/task_inputs.h"
#include "server/engine/warnings.h"

namespace selvage {

absl::StatusOr<KnownResult> FindKnownResult(const plan::PlannedTask& task, bool by_trace, bool tiles,
                                            const Cache& cache) {
  KnownResult known;
  ASSIGN_OR_RETURN(const auto own, cache.index->Find({&task.key, 1}));
  known.own = own.front().has_value() && (own.front()->stored() || !tiles);
  if (known.own) {
    known.warnings = AsNamedBy(task, own.front()->warnings);
    known.has_tiles = own.front()->stored();
  }
  if (known.own || !by_trace) return known;
  ASSIGN_OR_RETURN(Contents contents, ContentsOf(InputKeys(task), *cache.index));
  known.missing_input = contents.missing;
  if (contents.missing) return known;
  ASSIGN_OR_RETURN(const auto same, cache.index->FindTrace(plan::TraceKey(task, contents.digests)));
  if (!same) return known;
  ASSIGN_OR_RETURN(auto record, cache.index->Find({&*same, 1}));
  if (!record.front()) return known;
  ASSIGN_OR_RETURN(const auto lacking, cache.tiles->FindMissing(StoredTilesOf(*record.front())));
  known.has_tiles = record.front()->stored() && lacking.empty();
  if (!known.has_tiles && tiles) return known;
  known.twin = std::move(*record.front());
  if (!known.has_tiles) {
    known.twin->storing = Storing::kHandedOn;
    known.twin->bytes = 0;
  }
  known.twin->warnings = known.warnings = WarningsOf(task, OwnTexts(known.twin->warnings), contents.warnings);
  return known;
}

namespace {

// Puts the specs of a bundle together, from the task down.
class Bundler {
 public:
  Bundler(const plan::Plan& plan, const std::vector<const plan::PlannedTask*>& inner, const Cache& cache)
      : plan_(plan), cache_(cache) {
    for (const plan::PlannedTask* task : inner) inner_[task->key] = task;
  }

  absl::StatusOr<Readied> Make(const plan::PlannedTask& task) {
    ASSIGN_OR_RETURN(TaskSpec spec, SpecOf(task));
    Readied readied;
    readied.missing_input = missing_;
    if (missing_) return readied;
    readied.spec = std::move(spec);
    for (TaskSpec& inner : specs_) *readied.spec.add_inner() = std::move(inner);
    cache_.evictor->NoteUse(read_);
    return readied;
  }

 private:
  // The same with all that it reads.
  absl::StatusOr<TaskSpec> SpecOf(const plan::PlannedTask& task) {
    const std::vector<ResultKey> keys = InputKeys(task);
    ASSIGN_OR_RETURN(const auto records, cache_.index->Find(keys));
    std::map<ResultKey, const Manifest*> manifests;
    for (size_t i = 0; i < keys.size(); ++i) {
      if (records[i] && records[i]->stored()) {
        manifests[keys[i]] = &records[i]->manifest;
        read_.push_back(keys[i]);
      } else if (const auto inner = inner_.find(keys[i]); inner != inner_.end()) {
        RETURN_IF_ERROR(AddInner(*inner->second, records[i] ? &records[i]->manifest : nullptr));
      } else {
        missing_ = keys[i];
      }
    }
    TaskSpec spec = plan::MakeTaskSpec(plan_, task, [&](const ResultKey& key) -> const Manifest* {
      auto it = manifests.find(key);
      return it == manifests.end() ? nullptr : it->second;
    });
    for (size_t i = 0; i < task.inputs.size(); ++i) {
      if (!task.inputs[i].result) continue;
      const auto at = place_.find(*task.inputs[i].result);
      if (at != place_.end()) spec.mutable_input(static_cast<int>(i))->set_inner(at->second);
    }
    // Without it the task is only slower.
    auto earlier = EarlierOf(plan_.stack_name, task, *cache_.index);
    if (earlier.ok() && *earlier) *spec.mutable_earlier() = *std::move(*earlier);
    return spec;
  }

  absl::Status AddInner(const plan::PlannedTask& task, const Manifest* known) {
    if (place_.contains(task.key)) return absl::OkStatus();
    ASSIGN_OR_RETURN(TaskSpec spec, SpecOf(task));
    if (known != nullptr) {
      *spec.mutable_known() = *known;
      spec.clear_earlier();
    }
    place_[task.key] = static_cast<uint32_t>(specs_.size());
    specs_.push_back(std::move(spec));
    return absl::OkStatus();
  }

  const plan::Plan& plan_;
  const Cache& cache_;
  std::map<ResultKey, const plan::PlannedTask*> inner_;
  // Inputs before their users, and where each is.
  std::vector<TaskSpec> specs_;
  std::map<ResultKey, uint32_t> place_;
  std::vector<ResultKey> read_;
  std::optional<ResultKey> missing_;
};

}  // namespace

absl::StatusOr<Readied> ReadyTask(const plan::Plan& plan, const plan::PlannedTask& task,
                                  const std::vector<const plan::PlannedTask*>& inner, const Cache& cache) {
  return Bundler(plan, inner, cache).Make(task);
}

}  // namespace selvage
