#include "server/engine/task_inputs.h"

#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine/state_format.h"

namespace selvage {

std::vector<ResultKey> InputKeys(const plan::PlannedTask& task) {
  std::vector<ResultKey> keys;
  for (const plan::PlannedInput& in : task.inputs) {
    if (in.result) keys.push_back(*in.result);
  }
  return keys;
}

absl::StatusOr<Contents> ContentsOf(const std::vector<ResultKey>& keys, ResultIndex& index, const HandedIn& handed_in) {
  auto records = index.Find(keys);
  if (!records.ok()) return records.status();
  Contents c;
  for (size_t i = 0; i < keys.size(); ++i) {
    const auto handed = handed_in.find(keys[i]);
    if (handed == handed_in.end() && !(*records)[i]) {
      c.missing = keys[i];
      return c;
    }
    const ResultRecord& record = handed == handed_in.end() ? *(*records)[i] : handed->second;
    c.digests.push_back(ContentDigest(record.manifest));
    const std::vector<Warning>& warnings = record.warnings;
    c.warnings.insert(c.warnings.end(), warnings.begin(), warnings.end());
  }
  return c;
}

absl::StatusOr<std::optional<EarlierResult>> EarlierOf(const std::string& stack_name, const plan::PlannedTask& task,
                                                       ResultIndex& index) {
  NameRecord place;
  place.stack = stack_name;
  place.pass = task.pass;
  place.segment = task.segment;
  place.frame = task.frame;
  // A look since the last submission is nearer to what is wanted now.
  ASSIGN_OR_RETURN(const auto looked, index.FindValue(state::LookedName(place)));
  ASSIGN_OR_RETURN(const auto names, index.FindNamesAt({&place, 1}));
  std::optional<ResultKey> key;
  if (names.front()) key = names.front()->key;
  if (const auto digest = Digest::FromBytes(looked.value_or("")); digest) key = ResultKey{*digest};
  if (!key) return std::nullopt;
  ASSIGN_OR_RETURN(auto records, index.Find({&*key, 1}));
  if (!records.front() || records.front()->tile_keys.empty()) return std::nullopt;
  ResultRecord& record = *records.front();
  const std::vector<Maker> makers = MakersOf(record);
  if (makers.size() > kMaxMakers) return std::nullopt;
  EarlierResult earlier;
  *earlier.mutable_manifest() = std::move(record.manifest);
  earlier.set_tile_keys(std::move(record.tile_keys));
  earlier.mutable_maker()->Assign(makers.begin(), makers.end());
  return earlier;
}

}  // namespace selvage
