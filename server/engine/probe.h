// What of a plan is in the cache.
#pragma once

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "server/plan/plan.h"

namespace selvage {

// From the targets down: what is found prunes everything that it is made from, unless
// somebody needs its tiles and they were not stored.
absl::StatusOr<plan::Probed> Probe(const plan::Plan& plan, ResultIndex& index);

}  // namespace selvage
