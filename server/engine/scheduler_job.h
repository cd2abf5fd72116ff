// Plans and inspections as the scheduler wants them.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "server/engine/make_plan.h"
#include "server/sched/types.h"

namespace selvage {

// A job, and the names of its groups: lines of a job's progress.
struct SchedulerJob {
  sched::NewJob job;
  std::vector<std::string> lines;
};

// Tasks in the order of the plan; lines in the order of the stack.
SchedulerJob ToSchedulerJob(const Planned& planned);
// The files that are not inspected yet, one task each. `files` are theirs.
SchedulerJob ToSchedulerJob(const Round& round, std::vector<Uninspected>* files);

}  // namespace selvage
