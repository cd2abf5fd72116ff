// What workers hand in: results, facts of plates, errors.
#include <algorithm>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine.h"
#include "server/warnings.h"
#include "server/task_inputs.h"

namespace selvage {

namespace {

// Messages of workers are shown to people and kept: bounded.
constexpr size_t kMaxMessage = 2000;
// Digests that one FinishReply names; the worker hands in again for the rest.
constexpr int kMaxMissing = 10'000;
constexpr int kMaxReplans = 5;

// Becomes part of a key in the index.
std::string MakerOf(const TaskOutcome& outcome) {
  std::string name = outcome.worker_name().empty() ? outcome.worker_id() : outcome.worker_name();
  std::replace(name.begin(), name.end(), '\0', ' ');
  return name.substr(0, kMaxWorkerName);
}

std::string Clip(std::string text) {
  if (text.size() > kMaxMessage) text.resize(kMaxMessage);
  return text;
}

// None, or one a place of the tile grid; makers as they were sent.
absl::Status CheckTileKeys(const TaskOutcome& outcome) {
  if (outcome.maker_size() > kMaxMakers) {
    return absl::InvalidArgumentError(
        absl::StrCat(outcome.maker_size(), " makers; at most ", kMaxMakers, " were sent"));
  }
  for (const Maker& m : outcome.maker()) {
    if (m.worker().size() <= kMaxWorkerName && m.worker().find('\0') == std::string::npos) continue;
    return absl::InvalidArgumentError("the name of a maker is too long or holds a NUL byte");
  }
  if (outcome.tile_keys().empty()) return absl::OkStatus();
  const size_t places = outcome.manifest().kind() == BLOB ? 0 : TileGrid(outcome.manifest().window()).count();
  if (outcome.tile_keys().size() == places * sizeof(Digest::bytes)) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(outcome.tile_keys().size(), " bytes of tile keys; a result of ",
                                                 places, " tiles has ", places * sizeof(Digest::bytes)));
}

// What rendering all of it takes: that is what keeping it saves.
double SecondsInFull(const TaskOutcome& outcome) {
  const double rendered = std::max(1u, outcome.tiles_rendered());
  return outcome.seconds() * (1 + outcome.tiles_reused() / rendered);
}

// Tiles of a manifest that the store lacks, as the worker is told.
absl::StatusOr<FinishReply> MissingOf(const Manifest& manifest, TileStore& tiles) {
  ASSIGN_OR_RETURN(const std::vector<Digest> missing, tiles.FindMissing(StoredDigests(manifest)));
  FinishReply reply;
  for (const Digest& d : missing) {
    if (reply.missing_size() >= kMaxMissing) break;
    reply.add_missing(d.str());
  }
  return reply;
}

}  // namespace

void Engine::Finish(const TaskOutcome& outcome, Then<FinishReply> then) {
  const std::optional<Digest> digest = Digest::FromBytes(outcome.key());
  if (!digest) return then(absl::InvalidArgumentError("the key of an outcome must have 32 bytes"));
  const ResultKey key{*digest};
  switch (outcome.result_case()) {
    case TaskOutcome::kError:
      return FinishError(outcome, key, std::move(then));
    case TaskOutcome::kFacts:
      return FinishFacts(outcome, key, std::move(then));
    case TaskOutcome::kManifest:
      return FinishManifest(outcome, key, std::move(then));
    case TaskOutcome::RESULT_NOT_SET:
      break;
  }
  then(absl::InvalidArgumentError("an outcome needs a manifest, facts or an error"));
}

void Engine::FinishError(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  pool_->PostSerial([this, outcome, key, then = std::move(then)] {
    then(FinishReply());
    const TaskError& error = outcome.error();
    const std::string& worker = outcome.worker_id();
    const std::string message = Clip(error.message());
    std::shared_ptr<const plan::Plan> plan;
    const plan::PlannedTask* task = TaskOf(key, &plan);
    const plan::PlannedInput* input =
        task && error.input() < task->inputs.size() ? &task->inputs[error.input()] : nullptr;
    if (error.class_() == TaskError::OPERATOR) {
      scheduler_.TaskFailed(key, worker, message, Now());
    } else if (error.class_() == TaskError::INPUT_LOST && input && input->result) {
      // Damaged tiles are deleted by reading them: else the input, rendered
      // again, would be taken for already stored.
      pool_->Post([this, key, worker, lost = *input->result] {
        auto record = cache_.index->Find({&lost, 1});
        if (record.ok() && record->front()) (void)cache_.tiles->Get(StoredDigests(record->front()->manifest));
        IndexBatch batch;
        batch.ForgetDamaged(lost);
        Commit(std::move(batch), [this, key, worker, lost](const absl::StatusOr<uint64_t>&) {
          scheduler_.InputLost(key, worker, lost, Now());
          RunEffects();
        });
      });
    } else if (error.class_() == TaskError::PLATE_CHANGED && input && input->plate) {
      scheduler_.Postpone(key, worker, Now() + 5, Now());
      PlateChanged(scheduler_.JobsOf(key), input->plate->path(), message);
    } else {
      scheduler_.TaskSetback(key, worker, message, Now());
    }
    RunEffects();
  });
}

// The bytes are not those that were planned with: forget what was known of the
// file and plan anew what reads it.
void Engine::PlateChanged(const std::vector<sched::JobNumber>& jobs, const std::string& path,
                          const std::string& message) {
  IndexBatch batch;
  batch.values.push_back({FactsName(path), ""});
  Commit(std::move(batch), [this, jobs, path, message](const absl::StatusOr<uint64_t>&) {
    for (const sched::JobNumber number : jobs) {
      const std::shared_ptr<Errand> e = ErrandOf(number);
      if (!e || e->replanning) continue;
      e->fresh.erase(path);
      if (++e->replans > kMaxReplans) {
        AddProblem(e.get(), absl::StrCat(path, " keeps changing: ", message));
        End(e, JOB_FAILED, absl::FailedPreconditionError(message));
      } else {
        Replan(e);
      }
    }
  });
}

void Engine::FinishFacts(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  if (outcome.facts().digest().size() != 32) {
    return then(absl::InvalidArgumentError("the digest of a plate must have 32 bytes"));
  }
  pool_->PostSerial([this, outcome, key, then = std::move(then)] {
    then(FinishReply());
    std::string path;
    for (const sched::JobNumber number : scheduler_.JobsOf(key)) {
      const std::shared_ptr<Errand> e = ErrandOf(number);
      const sched::Task* task = scheduler_.FindTask(key);
      if (!e || e->inspection != number) continue;
      for (const sched::Waiter& w : task->waiters) {
        if (w.job->number != number || w.local >= e->inspecting.size()) continue;
        path = e->inspecting[w.local].file.path;
        e->fresh[path] = outcome.facts();
      }
    }
    if (path.empty() || !scheduler_.BeginCommit(key, outcome.worker_id(), Now())) return RunEffects();
    if (WorthRemembering(outcome.facts(), UnixMilliseconds() * 1'000'000)) {
      IndexBatch batch;
      batch.values.push_back({FactsName(path), outcome.facts().SerializeAsString()});
      // Facts that cannot be remembered are still good for this job.
      CommitSometime(std::move(batch));
    }
    scheduler_.EndCommit(key, outcome.worker_id(), true, outcome.seconds(), Now());
    RunEffects();
  });
}

void Engine::FinishManifest(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  pool_->Post([this, outcome, key, then = std::move(then)]() mutable {
    if (absl::Status s = ValidateManifest(outcome.manifest()); !s.ok()) return then(s);
    if (absl::Status s = CheckTileKeys(outcome); !s.ok()) return then(s);
    auto missing = MissingOf(outcome.manifest(), *cache_.tiles);
    if (!missing.ok() || !missing->missing().empty()) return then(std::move(missing));
    // Stored bytes are not known without reading; content is close enough for
    // halves, which compress little.
    const Manifest& m = outcome.manifest();
    const uint64_t tile_bytes = kTileSize * kTileSize * (m.full_precision() ? 4 : 2);
    const uint64_t bytes = m.kind() == BLOB ? m.blob_size() : StoredDigests(m).size() * tile_bytes;
    pool_->PostSerial([this, outcome, key, bytes, then = std::move(then)]() mutable {
      CommitManifest(outcome, key, bytes, std::move(then));
    });
  });
}

Engine::Named Engine::NamesFor(const ResultKey& key) {
  Named names;
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return names;
  for (const sched::Waiter& w : task->waiters) {
    std::shared_ptr<const plan::Plan> plan;
    const plan::PlannedTask* planned = TaskOf(w.job->number, w.local, &plan);
    if (planned) names.push_back({plan, planned});
  }
  return names;
}

// For those that wait for the result: their progress lines.
void Engine::NoteTiles(const ResultKey& key, const TaskOutcome& outcome) {
  stats_.tiles_rendered += outcome.tiles_rendered();
  stats_.tiles_reused += outcome.tiles_reused();
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return;
  for (const sched::Waiter& w : task->waiters) {
    const std::shared_ptr<Errand> e = ErrandOf(w.job->number);
    const sched::Member& member = w.job->tasks[w.local];
    if (!e || !member.needed || e->rendering != w.job->number || member.group >= e->lines.size()) continue;
    e->tiles.resize(e->lines.size());
    e->tiles[member.group].rendered += outcome.tiles_rendered();
    e->tiles[member.group].reused += outcome.tiles_reused();
  }
}

// For those that wait for the result.
void Engine::NoteWarnings(const ResultKey& key, const std::vector<Warning>& warnings) {
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr || warnings.empty()) return;
  for (const sched::Waiter& w : task->waiters) {
    if (const std::shared_ptr<Errand> e = ErrandOf(w.job->number)) e->warnings.Add(warnings);
  }
}

void Engine::CommitManifest(const TaskOutcome& outcome, const ResultKey& key, uint64_t bytes, Then<FinishReply> then) {
  std::shared_ptr<const plan::Plan> plan;
  const plan::PlannedTask* task = TaskOf(key, &plan);
  if (task == nullptr) {
    // After a restart it may belong to a job that is being planned anew.
    if (restoring_ > 0) return then(absl::UnavailableError("the daemon is reading its jobs back; hand in again"));
    return then(FinishReply());
  }
  // What is handed in late by a worker whose results were disowned may be one of
  // them: only what was leased to it since then is taken.
  const std::string worker = MakerOf(outcome);
  if (Distrusts(worker, INT64_MAX)) {
    scheduler_.TaskSetback(key, outcome.worker_id(), "the results of its worker are being disowned", Now());
    RunEffects();
    return then(FinishReply());
  }
  // Tiles were taken over from a result that has been disowned since: once more,
  // without it.
  if (DistrustsAny(outcome.maker())) {
    scheduler_.TaskSetback(key, outcome.worker_id(), "tiles that it took over have been disowned", Now());
    RunEffects();
    return then(FinishReply());
  }
  if (epochs_.Distrusted(worker)) {
    const std::vector<ResultKey> leased = scheduler_.LeasedTo(outcome.worker_id());
    if (std::find(leased.begin(), leased.end(), key) == leased.end()) return then(FinishReply());
  }
  if (!scheduler_.BeginCommit(key, outcome.worker_id(), Now())) {
    pool_->Post([this, outcome, key] {
      auto record = cache_.index->Find({&key, 1});
      if (!record.ok() || !record->front()) return;
      if (ContentDigest(record->front()->manifest) == ContentDigest(outcome.manifest())) return;
      // Promise 2 is broken on some machine; the first result stays.
      pool_->PostSerial([this] { ++stats_.different_pixels; });
    });
    return then(FinishReply());
  }
  std::vector<Maker>& makers = committing_[key];
  makers.assign(outcome.maker().begin(), outcome.maker().end());
  makers.emplace_back().set_worker(worker);
  RunEffects();
  pool_->Post([this, plan, task, outcome, key, bytes, worker, names = NamesFor(key), then = std::move(then)]() mutable {
    IndexBatch batch;
    ResultRecord record;
    record.manifest = outcome.manifest();
    record.seconds = SecondsInFull(outcome);
    record.worker = worker;
    record.made_unix_ms = UnixMilliseconds();
    record.bytes = bytes;
    record.tile_keys = outcome.tile_keys();
    record.others.assign(outcome.maker().begin(), outcome.maker().end());
    for (const auto& [plan_of, named] : names) AddName(*plan_of, *named, &batch);
    const std::vector<ResultKey> inputs = InputKeys(*task);
    std::vector<Warning> of_inputs;
    if (!inputs.empty()) {
      auto contents = ContentsOf(inputs, *cache_.index);
      if (contents.ok() && !contents->missing) batch.traces.push_back({plan::TraceKey(*task, contents->digests), key});
      if (contents.ok()) of_inputs = std::move(contents->warnings);
    }
    const std::vector<Warning> warnings =
        WarningsOf(*task, {outcome.warning().begin(), outcome.warning().end()}, of_inputs);
    record.warnings = warnings;
    batch.results.push_back({key, std::move(record)});
    Commit(std::move(batch), [this, outcome, key, warnings, then](const absl::StatusOr<uint64_t>& done) {
      committing_.erase(key);
      stats_.rendered += done.ok();
      if (done.ok()) NoteTiles(key, outcome);
      if (done.ok()) NoteWarnings(key, warnings);
      if (done.ok()) UnpinInputs(key);
      scheduler_.EndCommit(key, outcome.worker_id(), done.ok(), outcome.seconds(), Now());
      RunEffects();
      if (done.ok()) return then(FinishReply());
      if (!absl::IsFailedPrecondition(done.status())) return then(done.status());
      // Tiles went between the look and the commit.
      pool_->Post([this, outcome, then] { then(MissingOf(outcome.manifest(), *cache_.tiles)); });
    });
  });
}

}  // namespace selvage
