// What workers hand in: results, facts of plates, errors. From the outcome to
// the commit, top to bottom.
#pragma once

#include "proto/farm.pb.h"
#include "server/engine/farm.h"
#include "server/engine/known_plates.h"
#include "server/engine/task_inputs.h"
#include "server/engine/task_times.h"

namespace selvage {

// On the strand.
class Results {
 public:
  Results(Tools* tools, Commits* commits, Invalidations* invalidations, KnownPlates* plates, Farm* farm,
          TaskTimes* times)
      : tools_(tools), commits_(commits), invalidations_(invalidations), plates_(plates), farm_(farm), times_(times) {}

  // Errors as in farm.proto.
  void Finish(const TaskOutcome& outcome, Then<FinishReply> then);
  // Bytes of a result turned out to be missing.
  void ReportLost(const ResultKey& key);

  struct Counts {
    uint64_t rendered = 0, tiles_rendered = 0, tiles_reused = 0, different_pixels = 0, refused = 0;
  };
  const Counts& counts() const { return counts_; }
  // By operator since the start; several light ones that were rendered as one are a "chain".
  struct Effort {
    uint64_t tasks = 0;
    double seconds = 0;
  };
  const std::map<std::string, Effort>& steps() const { return steps_; }

 private:
  // What a worker handed in, and from which attempt.
  struct Arrival {
    TaskOutcome outcome;
    ResultKey key;
    std::optional<Farm::Lease> lease;
  };
  // On its way through threads it is not copied.
  using Arrived = std::shared_ptr<const Arrival>;
  // One of the tasks that came along with a result.
  struct Brought {
    TaskOutcome outcome;
    ResultKey key;
    Farm::Task task;
    Farm::Named names;
    std::string step;
    // It is news: to be made durable.
    bool taken = false;
  };
  using Bundle = std::shared_ptr<std::vector<Brought>>;

  void FinishError(const Arrival& arrival);
  void ForgetInput(const ResultKey& key, const std::string& worker, const ResultKey& lost);
  void ForgetPlate(const ResultKey& key, const std::string& path, const std::string& message);
  void FinishFacts(const Arrival& arrival, Then<FinishReply> then);
  void FinishManifest(const Arrived& arrival, Then<FinishReply> then);
  // Those of the inner outcomes that somebody waits for.
  Bundle Unpack(const TaskOutcome& outcome) const;
  absl::Status Check(const TaskOutcome& outcome, const Farm::Task& task, const std::vector<Brought>& bundle) const;
  void Refuse(const Arrived& arrival, const absl::Status& why, Then<FinishReply> then);
  void Take(const Arrived& arrival, uint64_t bytes, const Bundle& bundle, Then<FinishReply> then);
  // Why it may not be taken although the task is known; empty if it may.
  std::string WhyNot(const TaskOutcome& outcome, const ResultKey& key, bool* again) const;
  void TakeBundle(const TaskOutcome& outcome, const Bundle& bundle);
  void Measure(const TaskOutcome& outcome, const plan::Plan& plan, const plan::PlannedTask& task, bool stored);
  void CompareLate(const Arrived& arrival);
  void Commit(const Arrived& arrival, const Farm::Task& task, uint64_t bytes, const Bundle& bundle,
              Then<FinishReply> then);
  // `step`: its operator.
  void Committed(const Arrived& arrival, const std::string& step, const HandedIn& records, const Bundle& bundle,
                 const absl::Status& done, const Then<FinishReply>& then);
  // What of an arrival a task is.
  enum Part { kLeased, kInner, kFailed };
  void WriteDown(const Arrival& arrival, const TaskOutcome& outcome, const ResultKey& key, Part part);
  void Count(const TaskOutcome& outcome, const ResultKey& key, const std::string& step,
             const std::vector<Warning>& warnings);

  Tools* const tools_;
  Commits* const commits_;
  Invalidations* const invalidations_;
  KnownPlates* const plates_;
  Farm* const farm_;
  TaskTimes* const times_;
  Counts counts_;
  std::map<std::string, Effort> steps_;
};

}  // namespace selvage
