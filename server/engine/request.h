// Something a client asked for that needs a plan: a job, a look, a plan or an
// explanation that is only shown. A state machine, read from top to bottom:
//
//   Find -> Inspect -> Plan -> Render -> End
//
// Each planning round works on snapshots (Round, Planned) that never change, so
// the threads that plan and the strand that goes on meanwhile share nothing else.
// An invalidation, or a plate that changed, begins a new round; the old plan goes
// on until the new one is there.
#pragma once

#include <atomic>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "proto/job.pb.h"
#include "server/engine/farm.h"
#include "server/engine/make_plan.h"
#include "server/engine/progress.h"
#include "server/engine/scheduler_job.h"

namespace selvage {

class KeepTable;
class KnownStacks;
class TaskTimes;
class Unfetched;
class Versions;

// What is wanted of the plan.
struct Purpose {
  // Its results are what the stack stands for from now on: named, kept, and what
  // `why` compares with.
  bool submits = false;
  bool renders = false;
  // Goes ahead of jobs, and is given up without workers.
  bool interactive = true;
  Explain explain = Explain::kNothing;
  // Of a look that may be rendered at a smaller size of the stack: the longest side that it
  // is shown at. 0: it may not.
  uint32_t shown_side = 0;
};
inline constexpr Purpose kSubmission{.submits = true, .renders = true, .interactive = false};
inline constexpr Purpose kLook{.renders = true};
inline constexpr Purpose kPlanOnly{.explain = Explain::kPasses};
inline constexpr Purpose kExplanation{.explain = Explain::kTargets};

// How it ended.
struct Ending {
  // State, faults, warnings and trouble, as people see them.
  JobProgress progress;
  // Something went wrong with the daemon or was called off, not with the stack.
  absl::Status why = absl::OkStatus();
  // The last plan; nullptr if there was none.
  std::shared_ptr<const Planned> planned;
  // Of what that plan renders.
  Estimate estimate;
};

// What requests work with.
struct RequestTools {
  Tools* tools;
  Commits* commits;
  Invalidations* invalidations;
  KeepTable* keeps;
  Unfetched* unfetched;
  KnownStacks* stacks;
  Versions* versions;
  Farm* farm;
  TaskTimes* times;
};

// On the strand. Lives as long as it is shared; what it posts holds it.
class Request final : public Customer, public std::enable_shared_from_this<Request> {
 public:
  using Done = std::function<void(const Ending&)>;

  Request(const RequestTools& with, Purpose purpose, std::shared_ptr<const Stack> stack, ChooseTargets choose,
          Done done);

  // `round`: from a check that was made just now; nullptr: none was made.
  // `not_before`: nothing is rendered before then.
  void Start(std::shared_ptr<const Round> round = nullptr, double not_before = 0);
  // Begins a new round, if there is a plan that it could make old.
  void Replan();
  // Ends it, with what is known so far. Harmless when it is over.
  void End(JobState state, const absl::Status& why = absl::OkStatus());
  // The same without a word to anybody.
  void Leave();
  // From any thread: plans that are being made are given up.
  void GiveUp() { given_up_ = true; }

  JobProgress Progress() const;
  const Purpose& purpose() const { return purpose_; }
  const std::shared_ptr<const Stack>& stack() const { return stack_; }
  bool over() const { return over_; }
  bool planning() const { return planning_; }
  double started() const { return started_; }
  // nullptr before there is one.
  const std::shared_ptr<const Planned>& planned() const { return planned_; }

  // Of a job: id, owner, version and note, when it was submitted.
  void SetIdentity(const JobProgress& of);

  // Customer.
  void OnTrouble(sched::JobNumber job, uint32_t task, const std::string& message, bool for_good) override;
  void OnResult(sched::JobNumber job, uint32_t task, const ResultNews& news) override;
  void OnFacts(const std::string& path, const PlateFacts& facts) override { inspected_[path] = facts; }
  void OnPlateChanged(const std::string& path, const std::string& message) override;
  void OnAllDone(sched::JobNumber job) override;
  std::string job_id() const override { return progress_.identity.job_id(); }

 private:
  // What the planning thread hands over.
  struct Made {
    absl::StatusOr<std::shared_ptr<const Planned>> planned;
    SchedulerJob job;
    Workload workload;
  };

  void Find();
  void OnFound(absl::StatusOr<std::shared_ptr<const Round>> found);
  void Inspect();
  void OnInspected();
  void Plan();
  Made MakePlanNow(const std::shared_ptr<const Round>& round, const Epochs::Snapshot& epochs);
  absl::StatusOr<std::shared_ptr<const Planned>> PlanAtSmallerSize(const std::shared_ptr<const Planned>& full,
                                                                   const Epochs::Snapshot& epochs);
  absl::StatusOr<std::shared_ptr<const Planned>> PlanOf(const std::shared_ptr<const Round>& round,
                                                        const Epochs::Snapshot& epochs);
  void NameHits(const Planned& planned);
  void OnPlanned(Made made);
  void Render(std::shared_ptr<const Planned> planned, SchedulerJob job);
  void OnRendered();

  void Unpin(std::vector<ResultKey> keys);
  void UnpinPlan(const std::shared_ptr<PlanPins>& pins);
  void Expected();

  const RequestTools with_;
  // Where its plans are made.
  Pool* const planners_;
  const Purpose purpose_;
  const std::shared_ptr<const Stack> stack_;
  const ChooseTargets choose_;
  Done done_;
  const double started_;
  double not_before_ = 0;
  std::atomic<bool> given_up_{false};
  // No answer is awaited any more: late results of other threads are dropped.
  bool over_ = false;
  // Raised when planning starts again; results of an older round are dropped.
  int round_number_ = 0;
  // A new plan is being made.
  bool planning_ = false;
  int changes_ = 0;

  // The newest of each.
  std::shared_ptr<const Round> round_;
  std::shared_ptr<const Planned> planned_;
  std::shared_ptr<PlanPins> pins_;
  // Facts of plates that this request had inspected.
  Facts inspected_;
  // In the scheduler; 0 = not there.
  sched::JobNumber inspection_ = 0, rendering_ = 0;
  // When the first plan was there.
  std::optional<double> render_started_;
  Estimate estimate_;
  std::shared_ptr<const std::vector<Uninspected>> inspecting_;

  RequestProgress progress_;
};

}  // namespace selvage
