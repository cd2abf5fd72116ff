#include "server/engine/plan_pins.h"

#include <algorithm>

#include "absl/container/flat_hash_map.h"

namespace selvage {

PlanPins::PlanPins(std::shared_ptr<const plan::Plan> plan, const plan::Probed& probed,
                   const std::vector<Storing>& storing)
    : plan_(std::move(plan)),
      inputs_(plan_->tasks.size()),
      readers_(plan_->tasks.size()),
      pinned_(plan_->tasks.size()),
      done_(plan_->tasks.size()),
      target_(plan_->tasks.size()) {
  absl::flat_hash_map<ResultKey, uint32_t, DigestHash> where;
  where.reserve(plan_->tasks.size());
  for (uint32_t i = 0; i < plan_->tasks.size(); ++i) {
    where[plan_->tasks[i].key] = i;
    pinned_[i] = probed.state[i] != plan::Probed::kNotNeeded;
    // What is there reads nothing.
    done_[i] = probed.state[i] != plan::Probed::kRender && probed.state[i] != plan::Probed::kKnown;
    if (done_[i]) continue;
    for (const plan::PlannedInput& in : plan_->tasks[i].inputs) {
      if (!in.result) continue;
      const uint32_t input = where.at(*in.result);
      inputs_[i].push_back(input);
      const bool handed_on = !storing.empty() && storing[input] == Storing::kHandedOn;
      if (handed_on) inputs_[i].insert(inputs_[i].end(), inputs_[input].begin(), inputs_[input].end());
    }
    std::sort(inputs_[i].begin(), inputs_[i].end());
    inputs_[i].erase(std::unique(inputs_[i].begin(), inputs_[i].end()), inputs_[i].end());
    for (const uint32_t input : inputs_[i]) ++readers_[input];
  }
  for (const ResultKey& key : plan_->targets) target_[where.at(key)] = true;
}

std::vector<ResultKey> PlanPins::Done(size_t i) {
  std::vector<ResultKey> free;
  if (done_[i]) return free;
  done_[i] = true;
  for (const uint32_t input : inputs_[i]) {
    if (--readers_[input] == 0 && !target_[input]) Release(input, &free);
  }
  // All its readers may have been cut off before it came.
  if (readers_[i] == 0 && !target_[i]) Release(i, &free);
  return free;
}

std::vector<ResultKey> PlanPins::Rest() {
  std::vector<ResultKey> all;
  for (size_t i = 0; i < pinned_.size(); ++i) Release(i, &all);
  return all;
}

std::vector<ResultKey> PlanPins::AllTargets() {
  std::vector<ResultKey> all;
  for (size_t i = 0; i < pinned_.size(); ++i) {
    if (target_[i]) Release(i, &all);
  }
  return all;
}

void PlanPins::Release(size_t i, std::vector<ResultKey>* out) {
  if (!pinned_[i]) return;
  pinned_[i] = false;
  out->push_back(plan_->tasks[i].key);
}

}  // namespace selvage
