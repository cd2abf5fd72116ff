// Of which stacks names, explanations, versions and savings are remembered, and how what
// nobody has used for long is forgotten.
#pragma once

#include <cstdint>
#include <map>
#include <set>
#include <string>

#include "proto/ingredients.pb.h"
#include "proto/job.pb.h"
#include "server/engine/commits.h"
#include "server/engine/keep_table.h"
#include "server/engine/versions.h"

namespace selvage {

// On the strand, but for Load.
class KnownStacks {
 public:
  KnownStacks(Tools* tools, Commits* commits, const KeepTable* keeps, Versions* versions)
      : tools_(tools), commits_(commits), keeps_(keeps), versions_(versions) {}

  // Blocks. Also finds the stacks of state folders that did not note them.
  absl::Status Load();
  // Something is remembered of it from now on.
  void Use(const std::string& stack, IndexBatch* batch);

  // What reuse has saved of a stack, and its growth by a finished job.
  Savings SavingsOf(const std::string& stack) const;
  void AddSavings(const JobProgress& job, IndexBatch* batch);

  // Forgets the stacks that were not used for longest, beyond those that are
  // remembered; but none of `live`, and none that keeps results. What is said of
  // a stack that is forgotten: nothing that could change a pixel.
  void Collect(const std::set<std::string>& live);

 private:
  void ForgetFormerPasses(const JobProgress& job, Savings* savings);
  // On the pool. `pass`: empty for all of the stack. False: they could not be read.
  bool ForgetNames(const std::string& stack, const std::string& pass);
  void Forget(const std::string& stack);
  void ForgetDamaged();

  Tools* const tools_;
  Commits* const commits_;
  const KeepTable* const keeps_;
  Versions* const versions_;
  std::map<std::string, int64_t> used_;
  std::map<std::string, Savings> savings_;
};

}  // namespace selvage
