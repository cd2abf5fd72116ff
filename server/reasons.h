// Why something would be rendered: what `plan` and `why` say.
#pragma once

#include <map>
#include <string>
#include <tuple>
#include <vector>

#include "cache/result_index.h"
#include "proto/job.pb.h"
#include "server/plan/plan.h"

namespace selvage {

// Names of one stack by pass, segment and frame. Refers to the records given.
class NameTable {
 public:
  explicit NameTable(const std::vector<NameRecord>& names) {
    for (const NameRecord& n : names) by_place_[{n.pass, n.segment, n.frame}] = &n;
  }
  // nullptr: never rendered.
  const NameRecord* Find(const PlannedTask& t) const {
    auto it = by_place_.find({t.pass, t.segment, t.frame});
    return it == by_place_.end() ? nullptr : it->second;
  }

 private:
  std::map<std::tuple<std::string, uint32_t, int32_t>, const NameRecord*> by_place_;
};

// One line a pass, in the order of the stack, with counts and reasons.
// `before`: the plan as it would be without the newest invalidation (may be
// empty); a recipe that is the old one there was changed by the invalidation
// and by nothing else.
std::vector<PassPlan> Explain(const Stack& stack, const Plan& plan, const Probed& probed, const NameTable& names,
                              const Plan& before);

}  // namespace selvage
