// What the time of a job went into, from the times of its tasks.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "proto/trace.pb.h"

namespace selvage::client {

// A task that held a slot of a worker, and where in time it is drawn. Microseconds from the
// submission of the job on.
struct Placed {
  // With what was rendered along with it, which comes right after it.
  const TracedTask* task = nullptr;
  std::vector<const TracedTask*> inner;
  // Its worker's slot, from 0 on, and which of those that send beside it.
  int slot = 0, sender = 0;
  // When the worker took it up (as good as can be known), when its pixels were there and the slot
  // was free again. Spans lie from `began` on.
  int64_t began = 0, rendered = 0;
};

struct Timeline {
  std::vector<Placed> tasks;
  // Slots of each worker that were used, and senders.
  struct Lanes {
    int slots = 0, senders = 0;
  };
  std::map<std::string, Lanes> workers;
  // From the first lease to the last result.
  int64_t first = 0, last = 0;
};

// Happens when the slot is free already.
bool IsSending(const std::string& what);

// Errors: DATA_LOSS a task whose times make no sense.
absl::Status CheckTask(const TracedTask& task);
// REQUIRES: tasks that were checked, as the daemon gives them; they outlive the result.
Timeline Place(const std::vector<TracedTask>& tasks);

struct TimeSpent {
  std::string what;
  double seconds = 0;
  uint64_t bytes = 0;
};
struct WhereTimeWent {
  // The largest first.
  std::vector<TimeSpent> rows;
  double total = 0;
  int slots = 0;
  // Seconds of all slots together, and how much of that nothing ran on them.
  double slot_seconds = 0, idle_seconds = 0;
};
WhereTimeWent SumUp(const Timeline& timeline);

}  // namespace selvage::client
