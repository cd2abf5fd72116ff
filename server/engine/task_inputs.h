// What the index says of the results that a task reads.
#pragma once

#include <map>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "server/plan/plan.h"

namespace selvage {

// Results that a task reads, in input order.
std::vector<ResultKey> InputKeys(const plan::PlannedTask& task);

// Their contents and warnings, or the first that is missing.
struct Contents {
  std::vector<Digest> digests;
  std::vector<Warning> warnings;
  std::optional<ResultKey> missing;
};
// Results that are handed in together, not in the index yet.
using HandedIn = std::map<ResultKey, ResultRecord>;
absl::StatusOr<Contents> ContentsOf(const std::vector<ResultKey>& keys, ResultIndex& index,
                                    const HandedIn& handed_in = {});

// A longer name of a worker is cut.
inline constexpr size_t kMaxWorkerName = 200;

// More workers than this in one result: nothing of it is reused, so that
// the list ends.
inline constexpr int kMaxMakers = 64;

// What was rendered last of the task's segment and frame, if its tiles can be
// told apart. Its keys decide what of it is good: it may be older than an
// invalidation or of a stack that has changed altogether.
absl::StatusOr<std::optional<EarlierResult>> EarlierOf(const std::string& stack_name, const plan::PlannedTask& task,
                                                       ResultIndex& index);

}  // namespace selvage
