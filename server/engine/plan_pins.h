// Which results a plan keeps from being evicted, and for how long.
#pragma once

#include <memory>
#include <span>
#include <vector>

#include "server/plan/plan.h"

namespace selvage {

// A result is pinned until every task of the plan that reads it is done, targets
// to the end: so a job may be larger than the cache, as long as its deliverables
// fit. State of the engine's strand.
class PlanPins {
 public:
  // All results but those that are not needed are pinned by the caller.
  // `storing`: of its tasks; empty: all are stored. What is handed on reads nothing by
  // itself: its readers do.
  PlanPins(std::shared_ptr<const plan::Plan> plan, const plan::Probed& probed,
           const std::vector<Storing>& storing = {});

  // Task `i` is done: gives what nobody reads any more, to be unpinned.
  std::vector<ResultKey> Done(size_t i);
  // The plan is over: gives what is still pinned, but for targets that AllTargets gave.
  std::vector<ResultKey> Rest();
  // Gives the targets, which stay pinned by whoever has asked.
  std::vector<ResultKey> AllTargets();

 private:
  void Release(size_t i, std::vector<ResultKey>* out);

  const std::shared_ptr<const plan::Plan> plan_;
  // One a task.
  std::vector<std::vector<uint32_t>> inputs_;
  std::vector<uint32_t> readers_;
  std::vector<bool> pinned_, done_, target_;
};

}  // namespace selvage
