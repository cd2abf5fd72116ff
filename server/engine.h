// The daemon without its network: jobs, planning, scheduling, commits.
//
// All state lives on one strand of the pool; whatever waits for the disk runs
// on the pool and comes back to the strand. Every method may be called from any
// thread and returns at once; answers come from a thread of the pool.
#pragma once

#include <algorithm>
#include <array>
#include <atomic>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "proto/farm.pb.h"
#include "proto/job.pb.h"
#include "cache/open.h"
#include "proto/ingredients.pb.h"
#include "server/epochs.h"
#include "server/errand.h"
#include "server/keep_table.h"
#include "server/pool.h"
#include "server/roots.h"
#include "server/sched/scheduler.h"

namespace selvage {

// Value of the index that holds a stack's Savings.
inline constexpr char kSavingsPrefix[] = "savings/";

template <class T>
using Then = std::function<void(absl::StatusOr<T>)>;

// The connection to a worker, as the engine sees it.
class WorkerLink {
 public:
  virtual ~WorkerLink() = default;
  // Must not block.
  virtual void Send(WorkerOrders orders) = 0;
  virtual void Close(const absl::Status& why) = 0;
};

struct EngineOptions {
  // After a restart, jobs wait this long for workers to come back and say what
  // they still have.
  double adoption_seconds = 3;
  // A plan or a look without any worker is given up after this.
  double patience_seconds = 60;
  // A worker whose connection broke has this long to come back.
  double reconnect_seconds = 5;
  uint32_t heartbeat_ms = 5000;
  uint32_t lease_ms = 15000;
  // Finished jobs that are remembered.
  size_t finished_jobs = 500;
};

struct EngineStats {
  std::array<uint64_t, 9> tasks{};  // by sched::TaskState, of live jobs
  uint64_t rendered = 0, reused = 0, failed = 0, hits = 0, misses = 0;
  uint64_t tiles_rendered = 0, tiles_reused = 0;
  uint64_t expired_leases = 0, hedges = 0, different_pixels = 0;
  uint64_t workers = 0, slots = 0, live_jobs = 0;
  CacheStats cache;
};

class Engine {
 public:
  Engine(Pool* pool, Cache cache, Roots roots, const EngineOptions& options = {});
  ~Engine();

  // Reads jobs and invalidations back and takes unfinished jobs up again.
  // Blocks; call it before anything else.
  absl::Status Start();
  // No more leases, and calls that wait are answered UNAVAILABLE. Stop the pool
  // after this.
  void Stop();

  // --- Jobs (engine_jobs.cc). Errors as in job.proto.
  void Check(const CheckRequest& request, Then<CheckReply> then);
  void Submit(const SubmitRequest& request, Then<SubmitReply> then);
  // Returns at once; the handle cancels it (harmless when it is over).
  using Handle = std::shared_ptr<Errand>;
  Handle MakePlanFor(const PlanRequest& request, Then<PlanReply> then);
  Handle Why(const WhyRequest& request, Then<WhyReply> then);
  Handle Look(const LookRequest& request, Then<LookResult> then);
  void Abandon(const Handle& errand);
  // `show` is called at most ten times a second, with `last` at the job's end.
  // After Unwatch returned to the strand it is not called again; it must
  // tolerate a call meanwhile.
  using Show = std::function<void(const JobProgress&, bool last)>;
  void Watch(const std::string& job_id, Show show, Then<uint64_t> then);
  void Unwatch(uint64_t watcher);
  void ListJobs(uint32_t limit, Then<ListJobsReply> then);
  void GetJob(const std::string& job_id, Then<GetJobReply> then);
  void Cancel(const std::string& job_id, Then<CancelReply> then);

  // --- Results (engine_results.cc)
  void Locate(const FetchRequest& request, Then<BlobRef> then);
  // Bytes of a result turned out to be missing.
  void ReportLost(const ResultKey& key);
  void Invalidate(const InvalidateRequest& request, Then<InvalidateReply> then);
  // `show` is called now and then, from one thread, the last time with `done`; it
  // answers whether to go on. The walk ends before `then` is called.
  void VerifyCache(std::function<bool(const VerifyProgress&)> show, Then<VerifyProgress> then);
  void Release(const std::string& stack_name, Then<ReleaseReply> then);
  void Backup(const BackupRequest& request, Then<BackupReply> then);
  void CacheInfo(const CacheInfoRequest& request, Then<CacheInfoReply> then);
  void Stats(std::function<void(const EngineStats&)> then);

  // --- Workers (engine_farm.cc)
  void Report(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report);
  void LinkClosed(const std::shared_ptr<WorkerLink>& link);
  void Finish(const TaskOutcome& outcome, Then<FinishReply> then);
  void Workers(Then<WorkersReply> then);

  Pool& pool() { return *pool_; }
  TileStore& tiles() { return *cache_.tiles; }

 private:
  struct Record {
    JobProgress progress;
    uint64_t order = 0;
    std::shared_ptr<Errand> live;  // nullptr: finished
  };
  struct Watcher {
    std::string job_id;
    Show show;
    uint64_t shown = 0;
  };
  struct WorkerInfo {
    std::shared_ptr<WorkerLink> link;
    std::string name;
  };
  // Deliverable and frame to key, of a finished job.
  struct FetchMap {
    std::string job_id;
    uint64_t epoch = 0;
    std::map<std::pair<std::string, int32_t>, ResultKey> keys;
  };

  void AnswerSubmit(const std::string& id, const absl::StatusOr<SubmitReply>& reply);
  // Makes the batch durable with others; `then` runs on the strand, unless the
  // pool stops first.
  void Commit(IndexBatch batch, std::function<void(absl::StatusOr<uint64_t>)> then);
  // The same, when nobody waits for it.
  void CommitSometime(IndexBatch batch);
  void Unpin(std::vector<ResultKey> keys);
  void UnpinPlan(const std::shared_ptr<PlanPins>& pins);
  // A task of some plans is done: its inputs may be evicted once nobody reads them.
  void UnpinInputs(const ResultKey& key);
  void AddSavings(const JobProgress& progress, IndexBatch* batch);
  void InvalidatePasses(const InvalidateRequest& request, Then<InvalidateReply> then);
  void InvalidateWorker(const InvalidateRequest& request, Then<InvalidateReply> then);
  // On the strand, when the invalidation is durable.
  void Heed(const InvalidateRequest& what, uint64_t sequence);
  // Is this work that was, or is about to be, disowned?
  bool Distrusts(const std::string& worker, int64_t made_unix_ms) const;
  template <class Makers>
  bool DistrustsAny(const Makers& makers) const {
    return std::any_of(makers.begin(), makers.end(),
                       [&](const Maker& m) { return Distrusts(m.worker(), m.made_unix_ms()); });
  }
  std::string WorkerName(const std::string& worker_id) const;

  // Planning (engine_planning.cc). On the strand.
  void Begin(const std::shared_ptr<Errand>& e);
  void Replan(const std::shared_ptr<Errand>& e);
  void OnFiles(const std::shared_ptr<Errand>& e, absl::StatusOr<FoundFiles> found);
  void Inspect(const std::shared_ptr<Errand>& e);
  void OnInspected(const std::shared_ptr<Errand>& e);
  void PlanIt(const std::shared_ptr<Errand>& e);
  void OnPlanned(const std::shared_ptr<Errand>& e, absl::StatusOr<Planned> planned);
  void OnRendered(const std::shared_ptr<Errand>& e);
  void End(const std::shared_ptr<Errand>& e, JobState state, const absl::Status& why = absl::OkStatus());
  void Leave(const std::shared_ptr<Errand>& e);
  void Persist(const std::shared_ptr<Errand>& e, JournalType type, std::function<void(absl::Status)> then);
  bool Stale(const Errand& e, int round) const { return e.over || e.round != round; }
  void RemoveFromScheduler(sched::JobNumber* number);
  void ForgetOldJobs();

  // Progress (engine_progress.cc). On the strand.
  JobProgress ProgressOf(const Errand& e);
  void AddLines(const Errand& e, sched::JobNumber number, const std::vector<std::string>& lines, JobProgress* p);
  void ShowProgress();
  void AddProblem(Errand* e, const std::string& text);

  // Scheduler and farm (engine_farm.cc, engine_finish.cc). On the strand.
  void RunEffects();
  void StartTask(const sched::Effect& effect);
  void Answer(const sched::Effect& effect);
  void Order(const std::string& worker_id, WorkerOrders orders);
  void FinishError(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then);
  void PlateChanged(const std::vector<sched::JobNumber>& jobs, const std::string& path, const std::string& message);
  void FinishFacts(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then);
  void FinishManifest(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then);
  void CommitManifest(const TaskOutcome& outcome, const ResultKey& key, uint64_t bytes, Then<FinishReply> then);
  // Tasks of all plans that wait for the result.
  using Named = std::vector<std::pair<std::shared_ptr<const plan::Plan>, const plan::PlannedTask*>>;
  Named NamesFor(const ResultKey& key);
  void NoteTiles(const ResultKey& key, const TaskOutcome& outcome);
  void NoteWarnings(const ResultKey& key, const std::vector<Warning>& warnings);
  // The plan and task behind a scheduler's job and position; nullptr if it is gone.
  const plan::PlannedTask* TaskOf(sched::JobNumber job, uint32_t local, std::shared_ptr<const plan::Plan>* plan);
  const plan::PlannedTask* TaskOf(const ResultKey& key, std::shared_ptr<const plan::Plan>* plan);
  std::shared_ptr<Errand> ErrandOf(sched::JobNumber number);
  void Tick();
  double Now() const { return SteadySeconds() - started_; }

  Pool* const pool_;
  const Cache cache_;
  const Roots roots_;
  const EngineOptions options_;
  const double started_;
  // Outlives the evictor's interest in it.
  const std::shared_ptr<KeepTable> keep_ = std::make_shared<KeepTable>();

  // Everything below: only on the strand.
  sched::Scheduler scheduler_;
  Epochs epochs_;
  std::map<std::string, Record> jobs_;
  uint64_t next_order_ = 1;
  std::map<std::string, std::vector<Then<SubmitReply>>> submitting_;
  std::set<std::shared_ptr<Errand>> errands_;
  std::map<sched::JobNumber, std::shared_ptr<Errand>> numbers_;
  sched::JobNumber next_number_ = 1;
  std::map<uint64_t, Watcher> watchers_;
  uint64_t next_watcher_ = 1;
  std::map<std::string, WorkerInfo> workers_;
  double last_worker_seen_ = 0;
  std::deque<FetchMap> fetch_maps_;
  // What reuse has saved, by stack.
  std::map<std::string, Savings> savings_;
  // Workers whose results are being disowned: name -> how many requests.
  std::map<std::string, int> disowning_;
  // Results on their way to disk, and who made them.
  std::map<ResultKey, std::vector<Maker>> committing_;
  bool stopping_ = false;
  bool in_effects_ = false;
  // Jobs from before the restart that are not planned yet.
  int restoring_ = 0;
  EngineStats stats_;

  std::atomic<bool> verifying_{false}, backing_up_{false}, going_down_{false};
};

}  // namespace selvage
