#include "server/task_inputs.h"

#include "cache/manifest.h"

namespace selvage {

std::vector<ResultKey> InputKeys(const PlannedTask& task) {
  std::vector<ResultKey> keys;
  for (const PlannedInput& in : task.inputs) {
    if (in.result) keys.push_back(*in.result);
  }
  return keys;
}

absl::StatusOr<Contents> ContentsOf(const std::vector<ResultKey>& keys, ResultIndex& index) {
  auto records = index.Find(keys);
  if (!records.ok()) return records.status();
  Contents c;
  for (size_t i = 0; i < keys.size(); ++i) {
    if (!(*records)[i]) {
      c.missing = keys[i];
      return c;
    }
    c.digests.push_back(ContentDigest((*records)[i]->manifest));
  }
  return c;
}

}  // namespace selvage
