// Why frames would be rendered: for `selvage plan`.
#pragma once

#include <string>
#include <vector>

#include "server/plan/plan.h"

namespace selvage {

// For each pass of the plan ("core", "deliver comp"), in the order in which
// they build on each other: how many tasks, how many would be rendered, and for
// those why, by comparing with what the names stood for at the last submission
// (`before`: all names of this stack, from ResultIndex::FindNames).
//
// A frame has the reason of its first segment that would be rendered:
//   not rendered before                           no such name
//   its own settings changed                      other recipe
//   it was invalidated                            same settings, other epoch
//   pass "clean" above it changed                 same recipe, other key
//   its result is no longer in the cache          same key
std::vector<PassPlan> ExplainPlan(const Plan& plan, const Probed& probed, const std::vector<NameRecord>& before);

}  // namespace selvage
