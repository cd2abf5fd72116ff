#include "server/engine/probe.h"

#include "absl/container/flat_hash_map.h"
#include "proto/status.h"

namespace selvage {

absl::StatusOr<plan::Probed> Probe(const plan::Plan& plan, ResultIndex& index) {
  plan::Probed probed;
  probed.state.assign(plan.tasks.size(), plan::Probed::kNotNeeded);
  probed.record.resize(plan.tasks.size());
  absl::flat_hash_map<ResultKey, size_t, DigestHash> index_of;
  index_of.reserve(plan.tasks.size());
  for (size_t i = 0; i < plan.tasks.size(); ++i) index_of[plan.tasks[i].key] = i;

  std::vector<bool> asked(plan.tasks.size(), false);
  std::vector<ResultKey> level, next;
  auto ask = [&](const ResultKey& key, std::vector<ResultKey>* keys) {
    const size_t i = index_of.at(key);
    if (asked[i]) return;
    asked[i] = true;
    keys->push_back(key);
  };
  for (const ResultKey& key : plan.targets) ask(key, &level);
  for (bool targets = true; !level.empty(); targets = false) {
    next.clear();
    ASSIGN_OR_RETURN(auto records, index.Find(level), Annotate("looking for results of ", plan.stack_name));
    for (size_t k = 0; k < level.size(); ++k) {
      const size_t i = index_of.at(level[k]);
      if (records[k]) {
        // Of a target that is no file, what it shows is all that is asked.
        const bool enough = records[k]->stored() || targets;
        probed.state[i] = enough ? plan::Probed::kHit : plan::Probed::kKnown;
        probed.record[i] = std::make_shared<const ResultRecord>(*std::move(records[k]));
        if (enough) continue;
      } else {
        probed.state[i] = plan::Probed::kRender;
      }
      for (const plan::PlannedInput& in : plan.tasks[i].inputs) {
        if (in.result) ask(*in.result, &next);
      }
    }
    std::swap(level, next);
  }
  return probed;
}

}  // namespace selvage
