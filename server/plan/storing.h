// Which results of a plan are stored, and why; the others are handed on in memory.
#pragma once

#include <functional>
#include <set>
#include <string>
#include <vector>

#include "cache/result_index.h"
#include "server/plan/plan.h"

namespace selvage::plan {

struct StoringRules {
  // Store whatever is rendered.
  bool all = false;
  // What is rendered again for a result whose pixels were not kept: at most so many
  // light tasks, each once.
  int longest_way = 32;
  // Passes that an artist works on: what they read is kept at hand.
  std::set<std::string> working_edge;
  // For tests: store this one as well.
  std::function<bool(const PlannedTask&)> also;
};

// For each task of the plan. What is in the cache, or not needed, counts as stored.
// Handed on are only light pictures that no heavy step reads, and only by tasks of one
// bundle: that of the one stored result which they all lead to.
std::vector<Storing> ChooseStoring(const Plan& plan, const Probed& probed, const StoringRules& rules);

// "read by several", "handed on in memory" ...
const char* InWords(Storing storing);
// One more result of the kind.
void CountStoring(Storing storing, google::protobuf::RepeatedPtrField<StoringLine>* lines);

}  // namespace selvage::plan
