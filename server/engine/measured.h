// What tasks took that were rendered here, by what they do and on which machine, and how
// long others like them will take.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <tuple>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "proto/job.pb.h"
#include "proto/mutex.h"
#include "proto/state.pb.h"
#include "server/plan/plan.h"

namespace selvage {

// What a task does, as far as its time depends on it: operators, what it reads, and
// whether its result is stored. "degrain; 3 plate; stored".
std::string WhatOf(const plan::PlannedTask& task, bool stored);
// Its operator; "chain" of several light ones, "copy" of none.
std::string StepOf(const plan::PlannedTask& task);
// The part of a worker's name that is its machine's.
std::string HostOf(const std::string& worker_name);

// What is to be rendered, in seconds.
struct Workload {
  uint64_t tasks = 0, unmeasured = 0;
  std::vector<std::string> unmeasured_steps;
  bool other_size = false;
  // If one machine rendered all of it, task after task; and on one that is not known.
  std::map<std::string, double> by_host;
  double anywhere = 0;
  // Of the tasks that wait for each other, the longest row.
  double longest_row = 0;
  double overhead = 1;
  // Mean seconds of a task, by pass.
  std::map<std::string, double> of_pass;
};
// `slots`: of connected workers, by machine.
Estimate EstimateOf(const Workload& workload, const std::map<std::string, uint32_t>& slots);

// All methods may be called from any thread.
class Measured {
 public:
  void Add(const std::string& what, const std::string& host, const Format& format, double seconds);
  // A job took `factor` times as long as its tasks would have, spread over all slots.
  void AddOverhead(double factor);
  // `renders`: whether this task of the plan would be rendered, and stored.
  Workload Of(const plan::Plan& plan, const std::vector<uint8_t>& renders, const std::vector<uint8_t>& stored) const;

  // What is remembered from one start to the next.
  void Load(const MeasuredRow& row);
  MeasuredRow Row() const;

 private:
  struct Mean {
    double seconds = 0;
    uint32_t count = 0;
    uint64_t used = 0;
  };
  // What, machine, width, height.
  using Kind = std::tuple<std::string, std::string, uint32_t, uint32_t>;
  struct Cost {
    bool known = false, other_size = false;
    std::map<std::string, double> by_host;
    double anywhere = 0;
  };
  Cost CostOf(const std::string& what, const Format& format) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Of the kinds that do the same with other inputs, or store the result where it is not.
  Cost CostOfKin(const std::string& operators, const Format& format) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  mutable Mutex mutex_;
  std::map<Kind, Mean> kinds_ ABSL_GUARDED_BY(mutex_);
  uint64_t uses_ ABSL_GUARDED_BY(mutex_) = 0;
  double overhead_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace selvage
