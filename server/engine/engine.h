// The daemon without its network: a front to the owners of its state, which all
// live on one strand of the pool (README.md draws them).
//
// Every method may be called from any thread and returns at once; answers come
// from a thread of the pool. What waits for the disk runs on the pool and comes
// back to the strand.
#pragma once

#include <array>
#include <functional>
#include <memory>
#include <string>

#include "server/engine/asker.h"
#include "server/engine/jobs.h"
#include "server/engine/keep_table.h"
#include "server/engine/known_stacks.h"
#include "server/engine/locate.h"
#include "server/engine/results.h"
#include "server/engine/task_times.h"
#include "server/engine/unfetched.h"
#include "server/engine/upkeep.h"
#include "server/engine/written_files.h"

namespace selvage {

struct EngineStats {
  std::array<uint64_t, 9> tasks{};  // by sched::TaskState, of live jobs
  uint64_t rendered = 0, reused = 0, failed = 0, hits = 0, misses = 0;
  uint64_t tiles_rendered = 0, tiles_reused = 0;
  uint64_t expired_leases = 0, hedges = 0, different_pixels = 0, refused = 0;
  uint64_t setbacks = 0;
  uint64_t workers = 0, slots = 0, wanted_slots = 0, live_jobs = 0;
  Jobs::Ended jobs_ended;
  std::map<std::string, Results::Effort> steps;
  CacheStats cache;
};

class Engine {
 public:
  Engine(Pool* pool, Cache cache, Roots roots, const EngineOptions& options = {});
  ~Engine();

  // Reads jobs and invalidations back and takes unfinished jobs up again.
  // Blocks; call it before anything else.
  absl::Status Start();
  // No more leases, plans are given up, and calls that wait are answered
  // UNAVAILABLE. Waits for plans to end. Stop the pool after this.
  void Stop();

  // --- Stacks and jobs. Errors as in job.proto; PERMISSION_DENIED it belongs to somebody else. `gone`: whether the
  // client has gone; asked from other threads.
  void Check(const CheckRequest& request, GivenUp gone, Then<CheckReply> then);
  void Submit(const SubmitRequest& request, const Asker& asker, GivenUp gone, Then<SubmitReply> then);
  using Handle = Requests::Handle;
  Handle MakePlanFor(const PlanRequest& request, Then<PlanReply> then);
  Handle Why(const WhyRequest& request, Then<WhyReply> then);
  Handle Look(const LookRequest& request, Then<LookResult> then);
  void Abandon(const Handle& request) { requests_.Abandon(request); }
  // See Jobs::Watch. `show` must tolerate a call until Unwatch has reached the strand.
  void Watch(const std::string& job_id, Jobs::Show show, Then<uint64_t> then);
  void Unwatch(uint64_t watcher);
  void ListJobs(const ListJobsRequest& request, Then<ListJobsReply> then);
  void GetJob(const std::string& job_id, Then<GetJobReply> then);
  void Cancel(const std::string& job_id, const Asker& asker, Then<CancelReply> then);
  void ListVersions(const ListVersionsRequest& request, Then<ListVersionsReply> then);
  void GetVersion(const GetVersionRequest& request, Then<GetVersionReply> then);
  // Serialised messages of the reply.
  void Trace(const std::string& job_id, Then<TaskTimes::Parts> then);

  // --- Results.
  void Locate(const FetchRequest& request, Then<Located> then);
  void ReportLost(const ResultKey& key);
  // All of its bytes went to a client. Blocks.
  void Fetched(const ResultKey& key) { unfetched_->Fetched(key); }
  void Invalidate(const InvalidateRequest& request, const Asker& asker, Then<InvalidateReply> then);
  void RecordWritten(const RecordWrittenRequest& request, Then<RecordWrittenReply> then);
  void FindWritten(const FindWrittenRequest& request, Then<FindWrittenReply> then);
  void VerifyCache(std::function<bool(const VerifyProgress&)> show, Then<VerifyProgress> then);
  void Release(const std::string& stack_name, const Asker& asker, Then<ReleaseReply> then);
  void Backup(const BackupRequest& request, Then<BackupReply> then);
  void CacheInfo(const CacheInfoRequest& request, Then<CacheInfoReply> then);
  void Stats(std::function<void(const EngineStats&)> then);

  // --- Workers.
  void Report(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report);
  void LinkClosed(const std::shared_ptr<WorkerLink>& link);
  void WorkerEnded(const std::string& name, bool crashed);
  void Finish(const TaskOutcome& outcome, Then<FinishReply> then);
  void Workers(Then<WorkersReply> then);

  Pool& pool() { return *tools_.pool; }
  TileStore& tiles() { return *tools_.cache.tiles; }

 private:
  absl::Status Load();
  void Tick();
  void OnStrand(std::function<void()> what) { tools_.pool->PostSerial(std::move(what)); }
  Handle Begin(Handle request);

  // In the order in which they build on each other.
  Tools tools_;
  Commits commits_;
  Invalidations invalidations_;
  // Outlive the evictor's interest in them.
  const std::shared_ptr<KeepTable> keeps_ = std::make_shared<KeepTable>();
  const std::shared_ptr<Unfetched> unfetched_;
  Versions versions_;
  KnownStacks stacks_;
  KnownPlates plates_;
  WrittenFiles written_;
  Farm farm_;
  TaskTimes times_;
  Results results_;
  const RequestTools with_;
  Requests requests_;
  Jobs jobs_;
  Locator locator_;
  Upkeep upkeep_;
};

}  // namespace selvage
