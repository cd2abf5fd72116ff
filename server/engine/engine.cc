#include "server/engine/engine.h"

#include <future>
#include <map>
#include <utility>

#include "proto/status.h"
#include "server/engine/state_format.h"
#include "server/log.h"

namespace selvage {
namespace {

constexpr double kProgressSeconds = 0.1;
constexpr double kTickSeconds = 0.5;

}  // namespace

Engine::Engine(Pool* pool, Cache cache, Roots roots, const EngineOptions& options)
    : tools_(pool, std::move(cache), std::move(roots), options),
      commits_(&tools_),
      invalidations_(&tools_, &commits_),
      unfetched_(std::make_shared<Unfetched>(
          [evictor = tools_.cache.evictor.get()](const std::vector<ResultKey>& keys) { evictor->Unpin(keys); })),
      versions_(&tools_),
      stacks_(&tools_, &commits_, keeps_.get(), &versions_),
      plates_(&tools_),
      written_(&tools_, &commits_),
      farm_(&tools_, &commits_, &invalidations_),
      times_({.jobs = options.traced_jobs, .tasks = options.traced_tasks}),
      results_(&tools_, &commits_, &invalidations_, &plates_, &farm_, &times_),
      with_{&tools_, &commits_, &invalidations_, keeps_.get(), unfetched_.get(), &stacks_, &versions_, &farm_, &times_},
      requests_(with_),
      jobs_(with_, &requests_),
      locator_(with_, &jobs_),
      upkeep_(with_, &requests_) {
  invalidations_.SetHeed([this](const InvalidateRequest& what) { requests_.Heed(what); });
  tools_.cache.evictor->SetKeep([keeps = keeps_](const ResultKey& key) { return keeps->Of(key); },
                                [keeps = keeps_] { return keeps->FirstToGo(); });
  tools_.cache.evictor->SetGiveWay([unfetched = unfetched_] { return unfetched->GiveWay(); });
}

Engine::~Engine() = default;

absl::Status Engine::Start() {
  RETURN_IF_ERROR(Load());
  std::promise<void> begun;
  OnStrand([&] {
    jobs_.Resume();
    stacks_.Collect(requests_.LiveStacks());
    begun.set_value();
  });
  begun.get_future().wait();
  tools_.pool->EverySerial(kProgressSeconds, [this] { jobs_.ShowProgress(); });
  tools_.pool->EverySerial(kTickSeconds, [this] { Tick(); });
  return absl::OkStatus();
}

// Each start reads the journal, so it keeps what the next one needs: the order of
// the jobs that are still known.
absl::Status Engine::Load() {
  RETURN_IF_ERROR(invalidations_.Load());
  std::map<std::string, uint64_t> submitted;
  IndexBatch read;
  absl::Status bad = absl::OkStatus();
  RETURN_IF_ERROR(tools_.cache.index->ReadJournal(0, [&](const JournalEntry& entry) {
    if (entry.type == JournalType::kInvalidated) {
      bad.Update(invalidations_.LoadEntry(entry));
    } else if (entry.type == JournalType::kJobSubmitted) {
      submitted[entry.payload] = entry.sequence;
    } else {
      read.journal_done.push_back(entry.sequence);
    }
  }));
  RETURN_IF_ERROR(bad);
  RETURN_IF_ERROR(keeps_->Load(*tools_.cache.index));
  RETURN_IF_ERROR(stacks_.Load());
  RETURN_IF_ERROR(versions_.Load());
  ASSIGN_OR_RETURN(const auto measured, tools_.cache.index->FindValue(state::kMeasuredName));
  MeasuredRow row;
  if (measured && row.ParseFromString(*measured)) tools_.measured.Load(row);
  RETURN_IF_ERROR(plates_.Load());
  RETURN_IF_ERROR(jobs_.Load(&submitted));
  for (const auto& [id, sequence] : submitted) read.journal_done.push_back(sequence);
  commits_.AddSometime(std::move(read));
  invalidations_.Fold();
  return absl::OkStatus();
}

void Engine::Stop() {
  tools_.stopping = true;
  std::promise<void> stopped;
  OnStrand([&] {
    requests_.Stop();
    jobs_.StopWatching();
    stopped.set_value();
  });
  stopped.get_future().wait();
  // They hand over to the pool.
  tools_.planning.Stop();
  tools_.looking.Stop();
}

void Engine::Tick() {
  farm_.Tick();
  requests_.Tick();
}

void Engine::Check(const CheckRequest& request, GivenUp gone, Then<CheckReply> then) {
  OnStrand([this, stack = std::make_shared<Stack>(request.stack()), gone = std::move(gone), then = std::move(then)] {
    requests_.Check(stack, gone, [then](const absl::StatusOr<std::shared_ptr<const Round>>& checked) {
      if (!checked.ok()) return then(checked.status());
      CheckReply reply;
      reply.mutable_error()->Add((*checked)->errors.begin(), (*checked)->errors.end());
      then(std::move(reply));
    });
  });
}

void Engine::Submit(const SubmitRequest& request, const Asker& asker, GivenUp gone, Then<SubmitReply> then) {
  OnStrand([this, request, asker, gone = std::move(gone), then = std::move(then)] {
    jobs_.Submit(request, asker, gone, then);
  });
}

Engine::Handle Engine::Begin(Handle request) {
  OnStrand([this, request] { requests_.Begin(request); });
  return request;
}

Engine::Handle Engine::MakePlanFor(const PlanRequest& request, Then<PlanReply> then) {
  return Begin(requests_.MakePlan(request, std::move(then)));
}

Engine::Handle Engine::Why(const WhyRequest& request, Then<WhyReply> then) {
  return Begin(requests_.MakeWhy(request, std::move(then)));
}

Engine::Handle Engine::Look(const LookRequest& request, Then<LookResult> then) {
  return Begin(requests_.MakeLook(request, std::move(then)));
}

void Engine::Watch(const std::string& job_id, Jobs::Show show, Then<uint64_t> then) {
  OnStrand([this, job_id, show = std::move(show), then = std::move(then)] { jobs_.Watch(job_id, show, then); });
}

void Engine::Unwatch(uint64_t watcher) {
  OnStrand([this, watcher] { jobs_.Unwatch(watcher); });
}

void Engine::ListJobs(const ListJobsRequest& request, Then<ListJobsReply> then) {
  OnStrand([this, request, then = std::move(then)] { then(jobs_.List(request)); });
}

void Engine::GetJob(const std::string& job_id, Then<GetJobReply> then) {
  OnStrand([this, job_id, then = std::move(then)] { jobs_.Get(job_id, then); });
}

void Engine::Cancel(const std::string& job_id, const Asker& asker, Then<CancelReply> then) {
  OnStrand([this, job_id, asker, then = std::move(then)] { jobs_.Cancel(job_id, asker, then); });
}

void Engine::ListVersions(const ListVersionsRequest& request, Then<ListVersionsReply> then) {
  OnStrand([this, request, then = std::move(then)] { then(versions_.List(request)); });
}

void Engine::GetVersion(const GetVersionRequest& request, Then<GetVersionReply> then) {
  OnStrand([this, request, then = std::move(then)] { versions_.Get(request, then); });
}

void Engine::Trace(const std::string& job_id, Then<TaskTimes::Parts> then) {
  OnStrand([this, job_id, then = std::move(then)] {
    if (absl::Status s = jobs_.CheckKnown(job_id); !s.ok()) return then(s);
    then(times_.Get(job_id));
  });
}

void Engine::Locate(const FetchRequest& request, Then<Located> then) {
  OnStrand([this, request, then = std::move(then)] { locator_.Locate(request, then); });
}

void Engine::ReportLost(const ResultKey& key) {
  OnStrand([this, key] { results_.ReportLost(key); });
}

void Engine::Invalidate(const InvalidateRequest& asked, const Asker& asker, Then<InvalidateReply> then) {
  OnStrand([this, request = asked, asker, then = std::move(then)]() mutable {
    if (absl::Status s = jobs_.CheckChange(request.stack_name(), asker); !s.ok()) return then(s);
    if (!asker.name.empty()) request.set_by(asker.name);
    LogEvent(spdlog::level::info, "results are invalidated")
        .With("stack", request.stack_name())
        .With("pass", request.pass())
        .With("worker", request.worker())
        .With("identity", request.by())
        .Write();
    invalidations_.Invalidate(request, requests_.Renders(request.stack_name()), farm_.InHandOf(request.worker()), then);
  });
}

void Engine::RecordWritten(const RecordWrittenRequest& request, Then<RecordWrittenReply> then) {
  OnStrand([this, request, then = std::move(then)] { written_.Record(request, then); });
}

void Engine::FindWritten(const FindWrittenRequest& request, Then<FindWrittenReply> then) {
  OnStrand([this, request, then = std::move(then)] { written_.Find(request, then); });
}

void Engine::VerifyCache(std::function<bool(const VerifyProgress&)> show, Then<VerifyProgress> then) {
  OnStrand([this, show = std::move(show), then = std::move(then)] { upkeep_.Verify(show, then); });
}

void Engine::Release(const std::string& stack_name, const Asker& asker, Then<ReleaseReply> then) {
  OnStrand([this, stack_name, asker, then = std::move(then)] {
    if (absl::Status s = jobs_.CheckChange(stack_name, asker); !s.ok()) return then(s);
    upkeep_.Release(stack_name, then);
  });
}

void Engine::Backup(const BackupRequest& request, Then<BackupReply> then) {
  OnStrand([this, folder = request.folder(), then = std::move(then)] { upkeep_.Backup(folder, then); });
}

void Engine::CacheInfo(const CacheInfoRequest& request, Then<CacheInfoReply> then) {
  OnStrand([this, request, then = std::move(then)] { upkeep_.Info(request, then); });
}

void Engine::Report(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report) {
  OnStrand([this, link, report] { farm_.TakeReport(link, report); });
}

void Engine::LinkClosed(const std::shared_ptr<WorkerLink>& link) {
  OnStrand([this, link] { farm_.LinkClosed(link); });
}

void Engine::WorkerEnded(const std::string& name, bool crashed) {
  OnStrand([this, name, crashed] { farm_.WorkerEnded(name, crashed); });
}

void Engine::Finish(const TaskOutcome& outcome, Then<FinishReply> then) {
  OnStrand([this, outcome, then = std::move(then)] { results_.Finish(outcome, then); });
}

void Engine::Workers(Then<WorkersReply> then) {
  OnStrand([this, then = std::move(then)] { then(farm_.Workers()); });
}

void Engine::Stats(std::function<void(const EngineStats&)> then) {
  OnStrand([this, then = std::move(then)] {
    EngineStats s;
    const sched::Scheduler& scheduler = farm_.scheduler();
    s.tasks = scheduler.CountStates();
    s.expired_leases = scheduler.expired_leases();
    s.hedges = scheduler.hedges(), s.setbacks = scheduler.setbacks();
    for (const auto& [number, w] : scheduler.workers().all()) {
      s.workers += w.connected;
      s.slots += w.connected ? w.slots : 0;
    }
    s.wanted_slots = sched::WantedSlots(farm_.GetBacklog());
    const Farm::Counts& f = farm_.counts();
    const Results::Counts& r = results_.counts();
    s.hits = f.hits, s.misses = f.misses, s.reused = f.reused, s.failed = f.failed;
    s.rendered = r.rendered, s.tiles_rendered = r.tiles_rendered, s.tiles_reused = r.tiles_reused;
    s.different_pixels = r.different_pixels, s.refused = r.refused;
    s.live_jobs = jobs_.live_jobs(), s.jobs_ended = jobs_.ended();
    s.steps = results_.steps();
    tools_.pool->Post([this, s, then]() mutable {
      s.cache = tools_.cache.stats();
      then(s);
    });
  });
}

}  // namespace selvage
