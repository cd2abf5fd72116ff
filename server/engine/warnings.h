// Warnings of operators: on their way into results, and to the people of a job.
#pragma once

#include <map>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "proto/cache.pb.h"
#include "proto/farm.pb.h"
#include "proto/job.pb.h"
#include "server/plan/plan.h"

namespace selvage {

// What is kept with the result of a task: what its own step had to say, then what
// there was to say of its inputs. A result says it all, so that a job that finds
// its targets in the cache need not look further. Bounded.
std::vector<Warning> WarningsOf(const plan::PlannedTask& task, const std::vector<std::string>& own,
                                const std::vector<Warning>& of_inputs);

// What the result's own step had to say.
std::vector<std::string> OwnTexts(const std::vector<Warning>& warnings);
// Of a result that was found, as the plan calls it: the pass may have had another
// name when it was made.
std::vector<Warning> AsNamedBy(const plan::PlannedTask& task, std::vector<Warning> warnings);

// Of one job: each sentence once, with its frames.
class JobWarnings {
 public:
  void Add(const std::vector<Warning>& warnings);
  void AddTo(JobProgress* progress) const;

 private:
  std::map<std::pair<std::string, std::string>, std::set<int32_t>> frames_;
};

}  // namespace selvage
