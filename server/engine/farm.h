// Workers and what they are told: the scheduler, its effects, the links.
//
// What runs belongs to customers (request.h), who hear what becomes of it. What
// workers hand in goes through Results (results.h).
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "proto/farm.pb.h"
#include "proto/job.pb.h"
#include "server/engine/find_files.h"
#include "server/engine/invalidations.h"
#include "server/engine/make_plan.h"
#include "server/plan/plan.h"
#include "server/sched/scheduler.h"

namespace selvage {

// The connection to a worker, as the engine sees it.
class WorkerLink {
 public:
  virtual ~WorkerLink() = default;
  // Must not block.
  virtual void Send(WorkerOrders orders) = 0;
  virtual void Close(const absl::Status& why) = 0;
};

// What a customer hears of a result that is there now.
struct ResultNews {
  uint32_t tiles_rendered = 0, tiles_reused = 0;
  const std::vector<Warning>& warnings;
};

// Who placed a job with the farm. Called on the strand.
class Customer {
 public:
  virtual ~Customer() = default;
  // A task failed, for good or to be tried again.
  virtual void OnTrouble(sched::JobNumber job, uint32_t task, const std::string& message, bool for_good) = 0;
  virtual void OnResult(sched::JobNumber job, uint32_t task, const ResultNews& news) = 0;
  virtual void OnFacts(const std::string& path, const PlateFacts& facts) = 0;
  // The bytes of a plate are not those that were planned with; what was
  // remembered of the file is forgotten.
  virtual void OnPlateChanged(const std::string& path, const std::string& message) = 0;
  // Nothing of the job is open any more.
  virtual void OnAllDone(sched::JobNumber job) = 0;
  // For the log; "" for what is no job, as a look.
  virtual std::string job_id() const = 0;
};

// What stands behind a job of the scheduler.
struct Order {
  std::shared_ptr<Customer> customer;
  std::shared_ptr<const Round> round;
  // One of the two, task by task.
  std::shared_ptr<const plan::Plan> plan;
  std::shared_ptr<const std::vector<Uninspected>> files;
  // What else is known of the plan.
  std::shared_ptr<const Planned> planned;
  // Seconds that a task took before, by its line in the job's progress; 0: not known.
  std::vector<double> usual_seconds;
  // Its results are not remembered as submitted.
  bool look = false;
  // Of the job; empty where there is none.
  std::string job_id;
};

// On the strand.
class Farm {
 public:
  Farm(Tools* tools, Commits* commits, Invalidations* invalidations);

  // Gives the job its number. Nothing starts before RunEffects.
  sched::JobNumber Place(Order order, sched::NewJob job);
  // 0 is harmless; becomes 0.
  void Remove(sched::JobNumber* number);
  // Does what the scheduler wants done. Call it after whatever changes it.
  void RunEffects();
  void Tick();

  // --- Workers.
  void TakeReport(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report);
  void LinkClosed(const std::shared_ptr<WorkerLink>& link);
  // The process of this name has ended, which is known before or after its link closes.
  void WorkerEnded(const std::string& name, bool crashed);
  WorkersReply Workers() const;
  sched::Backlog GetBacklog() const;
  std::string WorkerName(const std::string& worker_id) const;
  // What workers of this name, or of this host, are making.
  std::vector<ResultKey> InHandOf(const std::string& worker) const;
  bool AnyWorker() const;
  // Of connected workers, by machine.
  std::map<std::string, uint32_t> Slots() const;

  // --- Tasks.
  sched::Scheduler& scheduler() { return scheduler_; }
  const sched::Scheduler& scheduler() const { return scheduler_; }
  // A task as one of the jobs has it that wait for the result.
  struct Waiting {
    sched::JobNumber job = 0;
    uint32_t local = 0;
    const Order* order = nullptr;
    // nullptr: it is an inspection.
    const plan::PlannedTask* task = nullptr;
  };
  std::vector<Waiting> WaitingFor(const ResultKey& key) const;
  // The first of them that is not an inspection, and what it belongs to.
  struct Task {
    std::shared_ptr<const Round> round;
    std::shared_ptr<const plan::Plan> plan;
    const plan::PlannedTask* task = nullptr;
    // Why it is stored, if it is.
    Storing storing = Storing::kStored;
    // What may have to be rendered along with it, inputs before their users.
    std::vector<const plan::PlannedTask*> inner;
  };
  std::optional<Task> TaskOf(const ResultKey& key) const;
  // The attempt that the worker of the outcome has, which came in just now.
  struct Lease {
    uint32_t attempt = 0;
    double ready = 0, leased = 0, came_in = 0;
  };
  std::optional<Lease> LeaseOf(const ResultKey& key, const TaskOutcome& outcome) const;
  // Adds to the batch what the result is called by all that wait for it.
  using Named = std::vector<std::function<void(IndexBatch*)>>;
  Named NamesFor(const ResultKey& key) const;
  // Facts of a plate are there: tells all that wait for them, and those that will
  // ask before the task is gone. Gives the path; empty if no request needs it.
  std::string TellFacts(const ResultKey& key, PlateFacts* facts);
  void TellResult(const ResultKey& key, const ResultNews& news);
  // A result turned out to be missing, and its record was removed.
  void ResultLost(const ResultKey& key);

  // Jobs from before a restart that have no plan yet: what workers hand in may
  // belong to one of them.
  void Expect(int jobs) { expected_ += jobs; }
  bool expects_more() const { return expected_ > 0; }

  // What planning found in the cache, and what it did not find.
  void CountProbed(uint64_t hits, uint64_t misses) {
    counts_.hits += hits;
    counts_.reused += hits;
    counts_.misses += misses;
  }
  struct Counts {
    uint64_t hits = 0, misses = 0, reused = 0, failed = 0;
  };
  const Counts& counts() const { return counts_; }

 private:
  struct Worker {
    std::shared_ptr<WorkerLink> link;
    std::string name;
    // Its process is gone: what it said before that and comes now is not listened to.
    bool ended = false;
  };
  // The task a customer's job has at a place; nullptr where it is an inspection or gone.
  static const plan::PlannedTask* TaskAt(const Order& order, uint32_t local);
  // The first plate file that the task reads; "" if none.
  static std::string FileOf(const Order& order, uint32_t local);
  void Do(const sched::Effect& effect);
  void Start(const sched::Effect& effect);
  bool StartInspection(const sched::Effect& effect);
  std::optional<Task> ToStart(const sched::Effect& effect) const;
  void StartTask(const sched::Effect& effect, const Task& task);
  void Stop(const sched::Effect& effect);
  void Answer(const sched::Effect& effect);
  void Tell(const sched::Effect& effect);
  void Log(const sched::Effect& effect, const Order& order, const std::string& message) const;
  void Send(const std::string& worker_id, WorkerOrders orders);

  Tools* const tools_;
  Commits* const commits_;
  Invalidations* const invalidations_;
  sched::Scheduler scheduler_;
  std::map<sched::JobNumber, Order> orders_;
  // Of inspections that the scheduler still has.
  std::map<ResultKey, PlateFacts> facts_;
  sched::JobNumber next_number_ = 1;
  std::map<std::string, Worker> workers_;
  // Names and ids of those whose link has closed and whom the scheduler may still wait for.
  std::map<std::string, std::string> gone_;
  bool in_effects_ = false;
  int expected_ = 0;
  Counts counts_;
};

}  // namespace selvage
