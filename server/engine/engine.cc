#include "server/engine.h"

#include <spdlog/spdlog.h>

#include <future>
#include <utility>

#include "proto/status.h"

namespace selvage {

namespace {

constexpr double kProgressSeconds = 0.1;
constexpr double kTickSeconds = 0.5;

sched::Options SchedulerOptions(const EngineOptions& o) {
  sched::Options options;
  options.lease = o.lease_ms / 1000.0;
  options.reconnect_grace = o.reconnect_seconds;
  // What workers ran before a restart becomes known when jobs are planned anew.
  options.stop_unknown_after = 30;
  return options;
}

bool IsOver(JobState s) { return s == JOB_DONE || s == JOB_FAILED || s == JOB_CANCELLED; }

}  // namespace

Engine::Engine(Pool* pool, Cache cache, Roots roots, const EngineOptions& options)
    : pool_(pool),
      cache_(std::move(cache)),
      roots_(std::move(roots)),
      options_(options),
      started_(SteadySeconds()),
      scheduler_(SchedulerOptions(options)) {
  cache_.evictor->SetKeep([keep = keep_](const ResultKey& key) { return keep->Of(key); },
                          [keep = keep_] { return keep->FirstToGo(); });
}

Engine::~Engine() = default;

absl::Status Engine::Start() {
  std::map<std::string, uint64_t> order;
  IndexBatch read;
  absl::Status bad = absl::OkStatus();
  RETURN_IF_ERROR(cache_.index->ReadJournal(0, [&](const JournalEntry& entry) {
    if (entry.type == JournalType::kJobSubmitted) {
      order[entry.payload] = entry.sequence;
    } else if (entry.type != JournalType::kInvalidated) {
      read.journal_done.push_back(entry.sequence);
    }
    if (entry.type != JournalType::kInvalidated) return;
    InvalidateRequest what;
    // A lost invalidation would serve old results: better not to start.
    if (!what.ParseFromString(entry.payload))
      bad = absl::DataLossError("the journal holds an invalidation that cannot be read");
    epochs_.Add(what, entry.sequence);
  }));
  RETURN_IF_ERROR(bad);

  RETURN_IF_ERROR(keep_->Load(*cache_.index));
  ASSIGN_OR_RETURN(const auto saved, cache_.index->ListValues(kSavingsPrefix));
  for (const auto& [name, value] : saved) {
    // Counted for people only: what cannot be read begins anew.
    (void)savings_[name.substr(std::string_view(kSavingsPrefix).size())].ParseFromString(value);
  }
  ASSIGN_OR_RETURN(const auto values, cache_.index->ListValues("job/"));
  std::vector<std::shared_ptr<Errand>> unfinished;
  for (const auto& [name, value] : values) {
    Record record;
    const std::string id = name.substr(4);
    if (!record.progress.ParseFromString(value)) continue;
    record.order = order[id];
    next_order_ = std::max(next_order_, record.order + 1);
    if (!IsOver(record.progress.state())) {
      ASSIGN_OR_RETURN(const auto text, cache_.index->FindValue("job-stack/" + id));
      auto stack = std::make_shared<Stack>();
      if (!text || !stack->ParseFromString(*text)) {
        return absl::DataLossError(absl::StrCat("the stack of job ", id, " cannot be read"));
      }
      auto e = std::make_shared<Errand>();
      e->id = id;
      e->stack = std::move(stack);
      e->started = Now();
      e->not_before = Now() + options_.adoption_seconds;
      record.live = e;
      unfinished.push_back(e);
    }
    jobs_[id] = std::move(record);
  }
  // Each start reads the journal, so it keeps what the next one needs: invalidations,
  // and the order of the jobs that are still known.
  for (const auto& [id, sequence] : order) {
    if (!jobs_.contains(id)) read.journal_done.push_back(sequence);
  }
  CommitSometime(std::move(read));
  restoring_ = static_cast<int>(unfinished.size());
  std::promise<void> begun;
  pool_->PostSerial([&] {
    for (const auto& e : unfinished) Begin(e);
    begun.set_value();
  });
  begun.get_future().wait();
  if (!unfinished.empty()) spdlog::info("{} unfinished jobs are taken up again", unfinished.size());
  pool_->EverySerial(kProgressSeconds, [this] { ShowProgress(); });
  pool_->EverySerial(kTickSeconds, [this] { Tick(); });
  return absl::OkStatus();
}

void Engine::Stop() {
  going_down_ = true;
  std::promise<void> stopped;
  pool_->PostSerial([&] {
    stopping_ = true;
    const absl::Status why = absl::UnavailableError("the daemon is going down");
    const auto errands = errands_;
    for (const auto& e : errands) {
      if (auto done = std::exchange(e->plan_done, nullptr)) done(why);
      if (auto done = std::exchange(e->why_done, nullptr)) done(why);
      if (auto done = std::exchange(e->look_done, nullptr)) done(why);
    }
    watchers_.clear();
    stopped.set_value();
  });
  stopped.get_future().wait();
}

void Engine::Commit(IndexBatch batch, std::function<void(absl::StatusOr<uint64_t>)> then) {
  // The committer may outlive the engine, but not the pool.
  cache_.committer->Add(std::move(batch), [pool = pool_, then = std::move(then)](absl::StatusOr<uint64_t> result) {
    pool->PostSerial([then, result = std::move(result)] { then(result); });
  });
}

void Engine::CommitSometime(IndexBatch batch) {
  cache_.committer->Add(std::move(batch), [](const absl::StatusOr<uint64_t>&) {});
}

// The evictor may hold its lock over a synced write.
void Engine::Unpin(std::vector<ResultKey> keys) {
  if (keys.empty()) return;
  pool_->Post([this, keys = std::move(keys)] { cache_.evictor->Unpin(keys); });
}

void Engine::UnpinPlan(const std::shared_ptr<PlanPins>& pins) {
  if (pins) Unpin(pins->Rest());
}

void Engine::UnpinInputs(const ResultKey& key) {
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return;
  for (const sched::Waiter& w : task->waiters) {
    const std::shared_ptr<Errand> e = ErrandOf(w.job->number);
    if (e && e->rendering == w.job->number && e->pins) Unpin(e->pins->Done(w.local));
  }
}

void Engine::Tick() {
  scheduler_.Tick(Now());
  RunEffects();
  // A plan or a look that waits for plates nobody can read.
  bool any_worker = false;
  for (const auto& [number, w] : scheduler_.workers().all()) any_worker |= w.connected && w.slots > 0;
  if (any_worker) last_worker_seen_ = Now();
  const auto errands = errands_;
  for (const auto& e : errands) {
    if (e->kind == Errand::kJob) continue;
    if (Now() - std::max(last_worker_seen_, e->started) < options_.patience_seconds) continue;
    End(e, JOB_FAILED,
        absl::UnavailableError("no worker is connected; start `selvage-worker`, or the daemon with "
                               "--local-workers"));
  }
}

void Engine::Stats(std::function<void(const EngineStats&)> then) {
  pool_->PostSerial([this, then = std::move(then)] {
    EngineStats s = stats_;
    s.tasks = scheduler_.CountStates();
    s.expired_leases = scheduler_.expired_leases();
    s.hedges = scheduler_.hedges();
    for (const auto& [number, w] : scheduler_.workers().all()) {
      s.workers += w.connected;
      s.slots += w.connected ? w.slots : 0;
    }
    s.live_jobs = 0;
    for (const auto& [id, record] : jobs_) s.live_jobs += record.live != nullptr;
    pool_->Post([this, s, then]() mutable {
      s.cache = cache_.stats();
      then(s);
    });
  });
}

}  // namespace selvage
