// From a stack to tasks in the scheduler: files, inspection, plan, probe.
#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/engine.h"

namespace selvage {

namespace {
// Plates that keep changing under a job: give up.
constexpr int kMaxReplans = 5;
constexpr size_t kMaxErrors = 50;
constexpr size_t kNamesAtOnce = 1024;
}  // namespace

void Engine::Begin(const std::shared_ptr<Errand>& e) {
  errands_.insert(e);
  const int round = ++e->round;
  pool_->Post([this, e, round, fresh = e->fresh] {
    auto found = FindFiles(*e->stack, e->targets, roots_, fresh, *cache_.index);
    pool_->PostSerial([this, e, round, found = std::move(found)]() mutable {
      if (!Stale(*e, round)) OnFiles(e, std::move(found));
    });
  });
}

void Engine::Replan(const std::shared_ptr<Errand>& e) {
  if (e->over) return;
  e->replanning = true;
  RemoveFromScheduler(&e->inspection);
  Begin(e);
}

void Engine::OnFiles(const std::shared_ptr<Errand>& e, absl::StatusOr<FoundFiles> found) {
  if (!found.ok()) return End(e, JOB_FAILED, found.status());
  e->found = *std::move(found);
  if (!e->found.errors.empty()) {
    e->errors = e->found.errors;
    return End(e, JOB_FAILED);
  }
  e->targets = e->found.targets;
  if (e->found.uninspected.empty()) return PlanIt(e);
  Inspect(e);
}

// One task a file, in a job of the scheduler of its own.
void Engine::Inspect(const std::shared_ptr<Errand>& e) {
  e->inspecting = e->found.uninspected;
  e->inspection_lines.clear();
  sched::NewJob job;
  job.number = next_number_++;
  job.interactive = e->kind != Errand::kJob;
  job.not_before = e->not_before;
  std::map<int, uint32_t> line_of;
  std::map<ResultKey, bool> once;
  std::vector<Uninspected> tasks;
  for (const Uninspected& u : e->inspecting) {
    auto [line, fresh] = line_of.emplace(u.file.plate, static_cast<uint32_t>(e->inspection_lines.size()));
    if (fresh) e->inspection_lines.push_back("plate " + e->stack->plate(u.file.plate).name());
    sched::NewTask t;
    t.key = InspectionKey(u.file.path, u.state);
    if (!once.emplace(t.key, true).second) continue;
    t.group = line->second;
    t.order = (static_cast<uint64_t>(static_cast<int64_t>(u.file.frame) - INT32_MIN) << 32) + job.tasks.size();
    job.tasks.push_back(std::move(t));
    tasks.push_back(u);
  }
  e->inspecting = std::move(tasks);
  job.groups = static_cast<uint32_t>(e->inspection_lines.size());
  e->inspection = job.number;
  numbers_[job.number] = e;
  scheduler_.AddJob(job, Now());
  RunEffects();
}

void Engine::OnInspected(const std::shared_ptr<Errand>& e) {
  const sched::Job* job = scheduler_.FindJob(e->inspection);
  const bool failed = job == nullptr || job->failed > 0;
  JobProgress lines;
  AddLines(*e, e->inspection, e->inspection_lines, &lines);
  e->inspected.assign(lines.pass().begin(), lines.pass().end());
  RemoveFromScheduler(&e->inspection);
  if (failed) {
    std::sort(e->errors.begin(), e->errors.end(),
              [](const StackError& a, const StackError& b) { return a.message() < b.message(); });
    if (e->errors.empty()) return End(e, JOB_FAILED, absl::InternalError("a plate could not be inspected"));
    return End(e, JOB_FAILED);
  }
  // Looks again: files may have changed meanwhile, and facts are known now.
  if (++e->replans > kMaxReplans) {
    AddProblem(e.get(), "the plates keep changing while they are read; submit again when they are complete");
    return End(e, JOB_FAILED, absl::FailedPreconditionError("the plates keep changing while they are read"));
  }
  Begin(e);
}

void Engine::PlanIt(const std::shared_ptr<Errand>& e) {
  const int round = e->round;
  pool_->Post([this, e, round, epochs = epochs_] {
    auto planned = MakePlan(*e->stack, e->targets, e->found, epochs,
                            e->kind == Errand::kPlan  ? Explain::kPasses
                            : e->kind == Errand::kWhy ? Explain::kTargets
                                                      : Explain::kNothing,
                            *cache_.index, *cache_.evictor);
    // Hits are named before they are shown as such; a crash in between loses
    // only the reason that the next `plan` gives.
    const bool renders = e->kind == Errand::kJob || e->kind == Errand::kLook;
    for (size_t at = 0; planned.ok() && renders && at < planned->renamed.size(); at += kNamesAtOnce) {
      IndexBatch batch;
      for (size_t i = at; i < std::min(at + kNamesAtOnce, planned->renamed.size()); ++i) {
        AddName(*planned->plan, planned->plan->tasks[planned->renamed[i]], &batch);
      }
      CommitSometime(std::move(batch));
    }
    if (planned.ok() && planned->plan->errors.empty() && e->kind == Errand::kJob) {
      keep_->Set(*planned->plan, [this](IndexBatch batch) { CommitSometime(std::move(batch)); });
    }
    pool_->PostSerial([this, e, round, planned = std::move(planned)]() mutable {
      if (!Stale(*e, round)) return OnPlanned(e, std::move(planned));
      if (planned.ok()) UnpinPlan(planned->pins);
    });
  });
}

void Engine::OnPlanned(const std::shared_ptr<Errand>& e, absl::StatusOr<Planned> planned) {
  if (!planned.ok()) return End(e, JOB_FAILED, planned.status());
  // Invalidated while it was planned: the plan is of yesterday.
  if (epochs_.Newest(e->stack->name()) != planned->epoch) {
    UnpinPlan(planned->pins);
    return PlanIt(e);
  }
  if (!planned->plan->errors.empty()) {
    e->errors = planned->plan->errors;
    if (e->errors.size() > kMaxErrors) e->errors.resize(kMaxErrors);
    return End(e, JOB_FAILED);
  }
  if (e->kind == Errand::kPlan) {
    UnpinPlan(planned->pins);
    PlanReply reply;
    for (PassPlan& p : planned->reasons) *reply.add_pass() = std::move(p);
    const auto done = std::exchange(e->plan_done, nullptr);
    End(e, JOB_DONE);
    if (done) done(std::move(reply));
    return;
  }
  if (e->kind == Errand::kWhy) {
    UnpinPlan(planned->pins);
    WhyReply reply;
    for (PlanReason& r : planned->why) *reply.add_reason() = std::move(r);
    const auto done = std::exchange(e->why_done, nullptr);
    End(e, JOB_DONE);
    if (done) done(std::move(reply));
    return;
  }
  stats_.hits += planned->hits;
  stats_.misses += planned->misses;
  stats_.reused += planned->hits;
  std::vector<std::string> lines;
  sched::NewJob job = ToSchedulerJob(*e->stack, e->targets, *planned, &lines);
  job.number = next_number_++;
  job.interactive = e->kind == Errand::kLook;
  job.not_before = e->not_before;

  // The new plan first, so that what both have goes on.
  sched::JobNumber old = std::exchange(e->rendering, job.number);
  const std::shared_ptr<PlanPins> old_pins = std::exchange(e->pins, planned->pins);
  e->plan = planned->plan;
  e->lines = std::move(lines);
  e->tiles.clear();
  e->warnings = {};
  e->warnings.Add(e->plan->warnings);
  for (size_t i = 0; i < planned->probed.record.size(); ++i) {
    const auto& record = planned->probed.record[i];
    if (record && !record->warnings.empty()) e->warnings.Add(AsNamedBy(e->plan->tasks[i], record->warnings));
  }
  e->epoch = planned->epoch;
  e->replanning = false;
  e->state = JOB_RUNNING;
  numbers_[job.number] = e;
  scheduler_.AddJob(job, Now());
  if (old != 0) {
    RemoveFromScheduler(&old);
    UnpinPlan(old_pins);
  }
  if (std::exchange(e->not_before, 0) > 0) --restoring_;
  RunEffects();
}

void Engine::OnRendered(const std::shared_ptr<Errand>& e) {
  if (e->replanning) return;  // the new plan decides
  const sched::Job* job = scheduler_.FindJob(e->rendering);
  if (job == nullptr) return;
  End(e, job->failed > 0 ? JOB_FAILED : JOB_DONE);
}

void Engine::RemoveFromScheduler(sched::JobNumber* number) {
  if (*number == 0) return;
  numbers_.erase(*number);
  scheduler_.RemoveJob(*number, Now());
  *number = 0;
}

// Gives back everything but the record of the job.
void Engine::Leave(const std::shared_ptr<Errand>& e) {
  e->over = true;
  RemoveFromScheduler(&e->inspection);
  RemoveFromScheduler(&e->rendering);
  UnpinPlan(e->pins);
  if (std::exchange(e->not_before, 0) > 0) --restoring_;
  errands_.erase(e);
}

// `why`: something went wrong with the daemon, not with the stack.
void Engine::End(const std::shared_ptr<Errand>& e, JobState state, const absl::Status& why) {
  if (e->over) return;
  if (!why.ok() && e->kind == Errand::kJob && e->problems.empty()) AddProblem(e.get(), std::string(why.message()));
  JobProgress progress = ProgressOf(*e);
  progress.set_state(state);
  progress.set_seconds_left(0);
  // Targets are needed after the plan is gone.
  const std::shared_ptr<const plan::Plan> plan = e->plan;
  Leave(e);
  e->state = state;

  if (e->kind == Errand::kPlan) {
    if (auto done = std::exchange(e->plan_done, nullptr)) {
      PlanReply reply;
      for (const StackError& error : e->errors) *reply.add_error() = error;
      done(why.ok() ? absl::StatusOr<PlanReply>(std::move(reply)) : why);
    }
  } else if (e->kind == Errand::kWhy) {
    if (auto done = std::exchange(e->why_done, nullptr)) {
      WhyReply reply;
      for (const StackError& error : e->errors) *reply.add_error() = error;
      done(why.ok() ? absl::StatusOr<WhyReply>(std::move(reply)) : why);
    }
  } else if (e->kind == Errand::kLook) {
    auto done = std::exchange(e->look_done, nullptr);
    if (!done) return RunEffects();
    LookResult result;
    result.errors = e->errors;
    result.warnings.assign(progress.warning().begin(), progress.warning().end());
    if (!why.ok()) {
      done(why);
    } else if (!e->errors.empty()) {
      done(std::move(result));
    } else if (state != JOB_DONE || plan == nullptr || plan->targets.empty()) {
      done(absl::AbortedError(e->problems.empty() ? "the picture could not be rendered" : e->problems.front()));
    } else {
      const ResultKey key = plan->targets.front();
      pool_->Post([this, key, done, result]() mutable {
        auto found = cache_.index->Find({&key, 1});
        if (!found.ok()) return done(found.status());
        if (!found->front()) return done(absl::UnavailableError("the picture is gone from the cache; try again"));
        result.blob.key = key;
        result.blob.manifest = std::move(found->front()->manifest);
        done(std::move(result));
      });
    }
  } else {
    auto it = jobs_.find(e->id);
    if (it != jobs_.end()) it->second.progress = progress;
    Persist(e, state == JOB_CANCELLED ? JournalType::kJobCancelled : JournalType::kJobFinished,
            [this, e](absl::Status) {
              auto job = jobs_.find(e->id);
              if (job != jobs_.end()) job->second.live = nullptr;
              ForgetOldJobs();
              ShowProgress();
            });
  }
  RunEffects();
}

// Writes the job's record as it is now.
void Engine::Persist(const std::shared_ptr<Errand>& e, JournalType type, std::function<void(absl::Status)> then) {
  IndexBatch batch;
  batch.journal.push_back({type, e->id});
  batch.values.push_back({"job/" + e->id, jobs_[e->id].progress.SerializeAsString()});
  AddSavings(jobs_[e->id].progress, &batch);
  if (e->plan) {
    // Newest invalidation known to the plan, then the keys of the targets.
    std::string targets;
    for (int i = 0; i < 8; ++i) targets.push_back(static_cast<char>(e->epoch >> (8 * i)));
    for (const ResultKey& key : e->plan->targets) targets += key.digest.str();
    batch.values.push_back({"job-targets/" + e->id, std::move(targets)});
  }
  Commit(std::move(batch), [then = std::move(then)](const absl::StatusOr<uint64_t>& done) { then(done.status()); });
}

void Engine::ForgetOldJobs() {
  std::vector<std::pair<uint64_t, std::string>> finished;
  for (const auto& [id, record] : jobs_) {
    if (!record.live) finished.push_back({record.order, id});
  }
  if (finished.size() <= options_.finished_jobs) return;
  std::sort(finished.begin(), finished.end());
  finished.resize(finished.size() - options_.finished_jobs);
  IndexBatch batch;
  for (const auto& [order, id] : finished) {
    for (const char* prefix : {"job/", "job-stack/", "job-targets/"}) batch.values.push_back({prefix + id, ""});
    jobs_.erase(id);
  }
  CommitSometime(std::move(batch));
}

}  // namespace selvage
