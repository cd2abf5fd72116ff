#include "server/engine/results.h"

#include <algorithm>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine/check_outcome.h"
#include "server/engine/state_format.h"
#include "server/engine/task_inputs.h"
#include "server/engine/warnings.h"

namespace selvage {
namespace {

// Messages of workers are shown to people and kept: bounded.
constexpr size_t kMaxMessage = 2000;
// Digests that one FinishReply names; the worker hands in again for the rest.
constexpr int kMaxMissing = 10'000;

// Becomes part of a key in the index.
std::string MakerOf(const TaskOutcome& outcome) {
  std::string name = outcome.worker_name().empty() ? outcome.worker_id() : outcome.worker_name();
  std::replace(name.begin(), name.end(), '\0', ' ');
  return name.substr(0, kMaxWorkerName);
}

// What rendering all of it takes: that is what keeping it saves.
double SecondsInFull(const TaskOutcome& outcome) {
  const double rendered = std::max(1u, outcome.tiles_rendered());
  return outcome.seconds() * (1 + outcome.tiles_reused() / rendered);
}

// Stored bytes are not known without reading; content is close enough for
// halves, which compress little.
uint64_t BytesOf(const Manifest& m) {
  const uint64_t tile_bytes = kTileSize * kTileSize * (m.full_precision() ? 4 : 2);
  return m.kind() == BLOB ? m.blob_size() : StoredDigests(m).size() * tile_bytes;
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

ResultRecord RecordOf(const TaskOutcome& outcome, uint64_t bytes, int64_t now_unix_ms,
                      const std::vector<Warning>& warnings) {
  ResultRecord record;
  record.manifest = outcome.manifest();
  record.seconds = SecondsInFull(outcome);
  record.worker = MakerOf(outcome);
  record.made_unix_ms = now_unix_ms;
  record.bytes = bytes;
  record.tile_keys = outcome.tile_keys();
  record.others.assign(outcome.maker().begin(), outcome.maker().end());
  record.warnings = warnings;
  return record;
}

}  // namespace

void Results::Finish(const TaskOutcome& outcome, Then<FinishReply> then) {
  const std::optional<Digest> digest = Digest::FromBytes(outcome.key());
  if (!digest) return then(absl::InvalidArgumentError("the key of an outcome must have 32 bytes"));
  const ResultKey key{*digest};
  switch (outcome.result_case()) {
    case TaskOutcome::kError:
      then(FinishReply());
      return FinishError(outcome, key);
    case TaskOutcome::kFacts:
      return FinishFacts(outcome, key, std::move(then));
    case TaskOutcome::kManifest:
      return FinishManifest(outcome, key, std::move(then));
    case TaskOutcome::RESULT_NOT_SET:
      break;
  }
  then(absl::InvalidArgumentError("an outcome needs a manifest, facts or an error"));
}

// --- Errors.

void Results::FinishError(const TaskOutcome& outcome, const ResultKey& key) {
  const TaskError& error = outcome.error();
  const std::string& worker = outcome.worker_id();
  const std::string message = error.message().substr(0, kMaxMessage);
  const std::optional<Farm::Task> found = farm_->TaskOf(key);
  const bool known = found && error.input() < found->task->inputs.size();
  const plan::PlannedInput* input = known ? &found->task->inputs[error.input()] : nullptr;
  sched::Scheduler& scheduler = farm_->scheduler();
  if (error.class_() == TaskError::OPERATOR) {
    scheduler.TaskFailed(key, worker, message, tools_->Now());
  } else if (error.class_() == TaskError::INPUT_LOST && input && input->result) {
    ForgetInput(key, worker, *input->result);
  } else if (error.class_() == TaskError::PLATE_CHANGED && input && input->plate) {
    scheduler.Postpone(key, worker, tools_->Now() + 5, tools_->Now());
    ForgetPlate(key, input->plate->path(), message);
  } else {
    scheduler.TaskSetback(key, worker, message, tools_->Now());
  }
  farm_->RunEffects();
}

// Damaged tiles are deleted by reading them: else the input, rendered again,
// would be taken for already stored.
void Results::ForgetInput(const ResultKey& key, const std::string& worker, const ResultKey& lost) {
  tools_->pool->Post([this, key, worker, lost] {
    const auto record = tools_->cache.index->Find({&lost, 1});
    if (record.ok() && record->front()) (void)tools_->cache.tiles->Get(StoredDigests(record->front()->manifest));
    IndexBatch batch;
    batch.ForgetDamaged(lost);
    commits_->Add(std::move(batch), [this, key, worker, lost](const absl::StatusOr<uint64_t>&) {
      farm_->scheduler().InputLost(key, worker, lost, tools_->Now());
      farm_->RunEffects();
    });
  });
}

// The bytes are not those that were planned with: what was known of the file is
// forgotten, and what reads it is planned again.
void Results::ForgetPlate(const ResultKey& key, const std::string& path, const std::string& message) {
  std::vector<std::shared_ptr<Customer>> customers;
  for (const Farm::Waiting& w : farm_->WaitingFor(key)) customers.push_back(w.order->customer);
  IndexBatch batch;
  batch.values.emplace_back(state::FactsName(path), "");
  commits_->Add(std::move(batch), [customers, path, message](const absl::StatusOr<uint64_t>&) {
    for (const auto& customer : customers) customer->OnPlateChanged(path, message);
  });
}

void Results::ReportLost(const ResultKey& key) {
  IndexBatch batch;
  batch.ForgetDamaged(key);
  commits_->Add(std::move(batch), [this, key](const absl::StatusOr<uint64_t>&) { farm_->ResultLost(key); });
}

// --- Facts.

void Results::FinishFacts(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  if (absl::Status bad = CheckFacts(outcome); !bad.ok()) return then(bad);
  then(FinishReply());
  const std::string path = farm_->TellFacts(key, outcome.facts());
  sched::Scheduler& scheduler = farm_->scheduler();
  if (path.empty() || !scheduler.BeginCommit(key, outcome.worker_id(), tools_->Now())) return farm_->RunEffects();
  if (WorthRemembering(outcome.facts(), tools_->UnixNow() * 1'000'000)) {
    IndexBatch batch;
    batch.values.emplace_back(state::FactsName(path), outcome.facts().SerializeAsString());
    // Facts that cannot be remembered are still good for this job.
    commits_->AddSometime(std::move(batch));
  }
  scheduler.EndCommit(key, outcome.worker_id(), true, outcome.seconds(), tools_->Now());
  farm_->RunEffects();
}

// --- Results.

// Is it whole, and what the task asked for?
void Results::FinishManifest(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  const std::optional<Farm::Task> task = farm_->TaskOf(key);
  tools_->pool->Post([this, outcome, key, task, then = std::move(then)]() mutable {
    absl::Status bad = CheckManifestOutcome(outcome);
    if (bad.ok() && task) bad = CheckAgainstTask(outcome, *task->task, *task->plan, *task->round, *tools_->cache.index);
    if (!bad.ok()) return Refuse(outcome, key, bad, std::move(then));
    auto missing = MissingOf(outcome.manifest(), *tools_->cache.tiles);
    if (!missing.ok() || !missing->missing().empty()) return then(std::move(missing));
    if (task) {
      bad = CheckBlob(outcome.manifest(), *task->task, *task->plan, *task->round, *tools_->cache.index,
                      *tools_->cache.tiles);
    }
    if (!bad.ok()) return Refuse(outcome, key, bad, std::move(then));
    const uint64_t bytes = BytesOf(outcome.manifest());
    tools_->pool->PostSerial([this, outcome, key, bytes, checked = task.has_value(), then = std::move(then)]() mutable {
      // Its job was planned meanwhile.
      if (!checked && farm_->TaskOf(key)) return FinishManifest(outcome, key, std::move(then));
      Take(outcome, key, bytes, std::move(then));
    });
  });
}

// On any thread. The task goes to another worker.
void Results::Refuse(const TaskOutcome& outcome, const ResultKey& key, const absl::Status& why,
                     Then<FinishReply> then) {
  tools_->pool->PostSerial([this, worker = outcome.worker_id(), key, why, then = std::move(then)] {
    if (absl::IsInvalidArgument(why)) {
      ++counts_.refused;
      farm_->scheduler().TaskSetback(
          key, worker, absl::StrCat("worker ", farm_->WorkerName(worker), " handed in a wrong result: ", why.message()),
          tools_->Now());
      farm_->RunEffects();
    }
    then(why);
  });
}

// Is it wanted, and is its maker trusted?
void Results::Take(const TaskOutcome& outcome, const ResultKey& key, uint64_t bytes, Then<FinishReply> then) {
  const std::optional<Farm::Task> task = farm_->TaskOf(key);
  if (!task) {
    // After a restart it may belong to a job that is being planned again.
    if (farm_->expects_more())
      return then(absl::UnavailableError("the daemon is reading its jobs back; hand in again"));
    return then(FinishReply());
  }
  bool again = false;
  if (const std::string why_not = WhyNot(outcome, key, &again); !why_not.empty()) {
    if (again) farm_->scheduler().TaskSetback(key, outcome.worker_id(), why_not, tools_->Now());
    farm_->RunEffects();
    return then(FinishReply());
  }
  if (!farm_->scheduler().BeginCommit(key, outcome.worker_id(), tools_->Now())) {
    CompareLate(outcome, key);
    return then(FinishReply());
  }
  std::vector<Maker> makers(outcome.maker().begin(), outcome.maker().end());
  makers.emplace_back().set_worker(MakerOf(outcome));
  invalidations_->Announce(key, std::move(makers));
  farm_->RunEffects();
  Commit(outcome, key, *task, bytes, std::move(then));
}

std::string Results::WhyNot(const TaskOutcome& outcome, const ResultKey& key, bool* again) const {
  // What is handed in late by a worker whose results were disowned may be one of
  // them: only what was leased to it since then is taken.
  const std::string worker = MakerOf(outcome);
  *again = true;
  if (invalidations_->Distrusts(worker, INT64_MAX)) return "the results of its worker are being invalidated";
  // Tiles were reused from a result that was invalidated since: once more, without it.
  if (invalidations_->DistrustsAny(outcome.maker())) return "tiles that it reused were invalidated";
  *again = false;
  if (!invalidations_->EverDistrusted(worker)) return "";
  const std::vector<ResultKey> leased = farm_->scheduler().LeasedTo(outcome.worker_id());
  return std::find(leased.begin(), leased.end(), key) == leased.end() ? "handed in after its worker was invalidated"
                                                                      : "";
}

// Somebody else's is there already: is it the same?
void Results::CompareLate(const TaskOutcome& outcome, const ResultKey& key) {
  tools_->pool->Post([this, outcome, key] {
    const auto record = tools_->cache.index->Find({&key, 1});
    if (!record.ok() || !record->front()) return;
    if (ContentDigest(record->front()->manifest) == ContentDigest(outcome.manifest())) return;
    // Promise 2 is broken on some machine; the first result stays.
    tools_->pool->PostSerial([this] { ++counts_.different_pixels; });
  });
}

void Results::Commit(const TaskOutcome& outcome, const ResultKey& key, const Farm::Task& task, uint64_t bytes,
                     Then<FinishReply> then) {
  tools_->pool->Post([this, task, outcome, key, bytes, names = farm_->NamesFor(key), then = std::move(then)] {
    IndexBatch batch;
    for (const auto& add_name : names) add_name(&batch);
    const std::vector<ResultKey> inputs = InputKeys(*task.task);
    std::vector<Warning> of_inputs;
    if (!inputs.empty()) {
      auto contents = ContentsOf(inputs, *tools_->cache.index);
      if (contents.ok() && !contents->missing) batch.traces.push_back({TraceKey(*task.task, contents->digests), key});
      if (contents.ok()) of_inputs = std::move(contents->warnings);
    }
    const std::vector<Warning> warnings =
        WarningsOf(*task.task, {outcome.warning().begin(), outcome.warning().end()}, of_inputs);
    batch.results.push_back({key, RecordOf(outcome, bytes, tools_->UnixNow(), warnings)});
    commits_->Add(std::move(batch), [this, outcome, key, warnings, then](const absl::StatusOr<uint64_t>& done) {
      Committed(outcome, key, warnings, done.status(), then);
    });
  });
}

// Durable, or not: who waits is told.
void Results::Committed(const TaskOutcome& outcome, const ResultKey& key, const std::vector<Warning>& warnings,
                        const absl::Status& done, const Then<FinishReply>& then) {
  invalidations_->Withdraw(key);
  if (done.ok()) {
    ++counts_.rendered;
    counts_.tiles_rendered += outcome.tiles_rendered();
    counts_.tiles_reused += outcome.tiles_reused();
    farm_->TellResult(key, {outcome.tiles_rendered(), outcome.tiles_reused(), warnings});
  }
  farm_->scheduler().EndCommit(key, outcome.worker_id(), done.ok(), outcome.seconds(), tools_->Now());
  farm_->RunEffects();
  if (done.ok()) return then(FinishReply());
  if (!absl::IsFailedPrecondition(done)) return then(done);
  // Tiles went between the look and the commit.
  tools_->pool->Post([this, outcome, then] { then(MissingOf(outcome.manifest(), *tools_->cache.tiles)); });
}

}  // namespace selvage
