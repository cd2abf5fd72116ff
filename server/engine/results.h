// What workers hand in: results, facts of plates, errors. From the outcome to
// the commit, top to bottom.
#pragma once

#include "proto/farm.pb.h"
#include "server/engine/farm.h"

namespace selvage {

// On the strand.
class Results {
 public:
  Results(Tools* tools, Commits* commits, Invalidations* invalidations, Farm* farm)
      : tools_(tools), commits_(commits), invalidations_(invalidations), farm_(farm) {}

  // Errors as in farm.proto.
  void Finish(const TaskOutcome& outcome, Then<FinishReply> then);
  // Bytes of a result turned out to be missing.
  void ReportLost(const ResultKey& key);

  struct Counts {
    uint64_t rendered = 0, tiles_rendered = 0, tiles_reused = 0, different_pixels = 0, refused = 0;
  };
  const Counts& counts() const { return counts_; }

 private:
  void FinishError(const TaskOutcome& outcome, const ResultKey& key);
  void ForgetInput(const ResultKey& key, const std::string& worker, const ResultKey& lost);
  void ForgetPlate(const ResultKey& key, const std::string& path, const std::string& message);
  void FinishFacts(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then);
  void FinishManifest(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then);
  void Refuse(const TaskOutcome& outcome, const ResultKey& key, const absl::Status& why, Then<FinishReply> then);
  void Take(const TaskOutcome& outcome, const ResultKey& key, uint64_t bytes, Then<FinishReply> then);
  // Why it may not be taken although the task is known; empty if it may.
  std::string WhyNot(const TaskOutcome& outcome, const ResultKey& key, bool* again) const;
  void CompareLate(const TaskOutcome& outcome, const ResultKey& key);
  void Commit(const TaskOutcome& outcome, const ResultKey& key, const Farm::Task& task, uint64_t bytes,
              Then<FinishReply> then);
  void Committed(const TaskOutcome& outcome, const ResultKey& key, const std::vector<Warning>& warnings,
                 const absl::Status& done, const Then<FinishReply>& then);

  Tools* const tools_;
  Commits* const commits_;
  Invalidations* const invalidations_;
  Farm* const farm_;
  Counts counts_;
};

}  // namespace selvage
