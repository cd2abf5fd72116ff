// What the index says of the results that a task reads.
#pragma once

#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "server/plan/plan.h"

namespace selvage {

// Results that a task reads, in input order.
std::vector<ResultKey> InputKeys(const PlannedTask& task);

// Their contents, or the first that is missing.
struct Contents {
  std::vector<Digest> digests;
  std::optional<ResultKey> missing;
};
absl::StatusOr<Contents> ContentsOf(const std::vector<ResultKey>& keys, ResultIndex& index);

}  // namespace selvage
