// Something a client asked for that needs planning: a job, a look, or a plan
// that is only shown. State of the engine's strand.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "proto/job.pb.h"
#include "server/planning.h"
#include "server/warnings.h"
#include "server/sched/types.h"

namespace selvage {

// A stored blob and where its bytes are.
struct BlobRef {
  ResultKey key;
  Manifest manifest;
};

struct LookResult {
  BlobRef blob;
  std::vector<StackError> errors;
  std::vector<JobWarning> warnings;
};

struct Errand {
  enum Kind { kJob, kLook, kPlan, kWhy };

  Kind kind = kJob;
  std::string id;
  std::shared_ptr<const Stack> stack;
  std::vector<plan::Target> targets;
  JobState state = JOB_INSPECTING;
  double started = 0;
  double not_before = 0;
  // No answer is awaited any more: late results of the pool are dropped.
  bool over = false;
  // Raised when planning starts anew; results of an older round are dropped.
  int round = 0;
  // A new plan is being made; the old one goes on until it is there.
  bool replanning = false;
  int replans = 0;

  FoundFiles found;
  Facts fresh;
  // In the scheduler; 0 = not there.
  sched::JobNumber inspection = 0, rendering = 0;
  // Tasks of the inspection, by position.
  std::vector<Uninspected> inspecting;
  std::vector<std::string> inspection_lines;
  std::vector<PassProgress> inspected;

  std::shared_ptr<const plan::Plan> plan;
  std::shared_ptr<PlanPins> pins;
  std::vector<std::string> lines;
  // Of the results rendered for each of the lines.
  struct Tiles {
    uint64_t rendered = 0, reused = 0;
  };
  std::vector<Tiles> tiles;
  // Newest invalidation that the plan knows of.
  uint64_t epoch = 0;

  JobWarnings warnings;
  std::vector<std::string> problems;
  std::vector<StackError> errors;
  uint64_t sequence = 0;

  std::function<void(absl::StatusOr<LookResult>)> look_done;
  std::function<void(absl::StatusOr<PlanReply>)> plan_done;
  std::function<void(absl::StatusOr<WhyReply>)> why_done;
};

}  // namespace selvage
