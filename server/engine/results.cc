#include "server/engine/results.h"

#include <algorithm>
#include <map>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine/check_outcome.h"
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

// Nothing of it had to be rendered.
bool Reused(const TaskOutcome& outcome) { return outcome.tiles_rendered() == 0 && outcome.tiles_reused() > 0; }

ResultRecord RecordOf(const TaskOutcome& outcome, uint64_t bytes, int64_t now_unix_ms, Storing storing,
                      const std::vector<Warning>& warnings) {
  ResultRecord record;
  record.storing = storing;
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
  // Of the task, or of one that came along.
  const std::optional<Digest> inner = Digest::FromBytes(error.inner_key());
  const std::optional<Farm::Task> found = farm_->TaskOf(inner ? ResultKey{*inner} : key);
  const bool known = found && error.input() < found->task->inputs.size();
  const plan::PlannedInput* input = known ? &found->task->inputs[error.input()] : nullptr;
  sched::Scheduler& scheduler = farm_->scheduler();
  if (error.class_() == TaskError::OPERATOR && inner) {
    scheduler.InnerFailed(key, worker, {*inner}, message, tools_->Now());
  } else if (error.class_() == TaskError::OPERATOR) {
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
    if (record.ok() && record->front()) (void)tools_->cache.tiles->Get(StoredTilesOf(*record->front()));
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
  plates_->Forget(path, &batch);
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
    plates_->Remember(path, outcome.facts(), &batch);
    // Facts that cannot be remembered are still good for this job.
    commits_->AddSometime(std::move(batch));
  }
  scheduler.EndCommit(key, outcome.worker_id(), true, outcome.seconds(), tools_->Now());
  farm_->RunEffects();
}

// --- Results.

Results::Bundle Results::Unpack(const TaskOutcome& outcome) const {
  auto bundle = std::make_shared<std::vector<Brought>>();
  for (const TaskOutcome& inner : outcome.inner()) {
    const auto digest = Digest::FromBytes(inner.key());
    if (!digest) continue;
    const std::optional<Farm::Task> task = farm_->TaskOf({*digest});
    if (!task) continue;
    Brought& brought = bundle->emplace_back(Brought{inner, {*digest}, *task, farm_->NamesFor({*digest})});
    // Who it is does not go without saying: it came in the other's envelope.
    brought.outcome.set_worker_id(outcome.worker_id());
    brought.outcome.set_worker_name(outcome.worker_name());
  }
  return bundle;
}

// Is all of it whole, and what the tasks asked for? Blocks.
absl::Status Results::Check(const TaskOutcome& outcome, const Farm::Task& task,
                            const std::vector<Brought>& bundle) const {
  ResultIndex& index = *tools_->cache.index;
  std::map<ResultKey, const Manifest*> handed_in;
  for (const Brought& b : bundle) handed_in[b.key] = &b.outcome.manifest();
  for (const Brought& b : bundle) {
    if (b.outcome.manifest().kind() == BLOB) return absl::InvalidArgumentError("an inner result that is no picture");
    RETURN_IF_ERROR(CheckManifestOutcome(b.outcome));
    RETURN_IF_ERROR(CheckAgainstTask(b.outcome, *b.task.task, *b.task.plan, *b.task.round, index, handed_in));
  }
  return CheckAgainstTask(outcome, *task.task, *task.plan, *task.round, index, handed_in);
}

void Results::FinishManifest(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  const std::optional<Farm::Task> task = farm_->TaskOf(key);
  tools_->pool->Post([this, outcome, key, task, bundle = Unpack(outcome), then = std::move(then)]() mutable {
    absl::Status bad = CheckManifestOutcome(outcome);
    if (bad.ok() && task) bad = Check(outcome, *task, *bundle);
    if (!bad.ok()) return Refuse(outcome, key, bad, std::move(then));
    auto missing = MissingOf(outcome.manifest(), *tools_->cache.tiles);
    if (!missing.ok() || !missing->missing().empty()) return then(std::move(missing));
    if (task) {
      bad = CheckBlob(outcome.manifest(), *task->task, *task->plan, *task->round, *tools_->cache.index,
                      *tools_->cache.tiles);
    }
    if (!bad.ok()) return Refuse(outcome, key, bad, std::move(then));
    const uint64_t bytes = BytesOf(outcome.manifest());
    tools_->pool->PostSerial(
        [this, outcome, key, bytes, bundle, checked = task.has_value(), then = std::move(then)]() mutable {
          // Its job was planned meanwhile.
          if (!checked && farm_->TaskOf(key)) return FinishManifest(outcome, key, std::move(then));
          Take(outcome, key, bytes, bundle, std::move(then));
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
void Results::Take(const TaskOutcome& outcome, const ResultKey& key, uint64_t bytes, const Bundle& bundle,
                   Then<FinishReply> then) {
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
  TakeBundle(outcome, bundle);
  farm_->RunEffects();
  Commit(outcome, key, *task, bytes, bundle, std::move(then));
}

// What is known by now, or was stored by somebody else, stays as it is.
void Results::TakeBundle(const TaskOutcome& outcome, const Bundle& bundle) {
  for (Brought& b : *bundle) {
    b.taken = farm_->scheduler().BeginBring(b.key, tools_->Now());
    if (!b.taken) continue;
    std::vector<Maker> makers(b.outcome.maker().begin(), b.outcome.maker().end());
    makers.emplace_back().set_worker(MakerOf(outcome));
    invalidations_->Announce(b.key, std::move(makers));
  }
}

std::string Results::WhyNot(const TaskOutcome& outcome, const ResultKey& key, bool* again) const {
  // What is handed in late by a worker whose results were disowned may be one of
  // them: only what was leased to it since then is taken.
  const std::string worker = MakerOf(outcome);
  *again = true;
  if (invalidations_->Distrusts(worker, INT64_MAX)) return "the results of its worker are being invalidated";
  // Tiles were reused from a result that was invalidated since: once more, without it.
  bool reused_bad = invalidations_->DistrustsAny(outcome.maker());
  for (const TaskOutcome& inner : outcome.inner()) reused_bad |= invalidations_->DistrustsAny(inner.maker());
  if (reused_bad) return "tiles that it reused were invalidated";
  *again = false;
  if (!invalidations_->EverDistrusted(worker)) return "";
  const std::vector<ResultKey> leased = farm_->scheduler().LeasedTo(outcome.worker_id());
  return std::find(leased.begin(), leased.end(), key) == leased.end() ? "handed in after its worker was invalidated"
                                                                      : "";
}

// Only what was rendered whole says what rendering takes.
void Results::Measure(const TaskOutcome& outcome, const plan::Plan& plan, const plan::PlannedTask& task, bool stored) {
  if (outcome.tiles_reused() > 0) return;
  tools_->measured.Add(WhatOf(task, stored), HostOf(MakerOf(outcome)), plan.format, outcome.seconds());
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
                     const Bundle& bundle, Then<FinishReply> then) {
  tools_->pool->Post([this, task, outcome, key, bytes, bundle, names = farm_->NamesFor(key), then = std::move(then)] {
    IndexBatch batch;
    HandedIn records;
    const auto add = [&](const TaskOutcome& what, const ResultKey& of, const plan::PlannedTask& planned,
                         const Farm::Named& called, bool taken, ResultRecord record) {
      const std::vector<ResultKey> inputs = InputKeys(planned);
      std::vector<Warning> of_inputs;
      std::optional<Digest> trace;
      if (!inputs.empty()) {
        auto contents = ContentsOf(inputs, *tools_->cache.index, records);
        if (contents.ok() && !contents->missing) trace = TraceKey(planned, contents->digests);
        if (contents.ok()) of_inputs = std::move(contents->warnings);
      }
      record.warnings = WarningsOf(planned, {what.warning().begin(), what.warning().end()}, of_inputs);
      records[of] = record;
      if (!taken) return;
      for (const auto& add_name : called) add_name(&batch);
      if (trace) batch.traces.push_back({*trace, of});
      batch.results.push_back({of, std::move(record)});
    };
    Measure(outcome, *task.plan, *task.task, true);
    for (const Brought& b : *bundle) Measure(b.outcome, *task.plan, *b.task.task, false);
    double seconds = 0;
    for (const Brought& b : *bundle) {
      ResultRecord record = RecordOf(b.outcome, 0, tools_->UnixNow(), Storing::kHandedOn, {});
      seconds += record.seconds;
      add(b.outcome, b.key, *b.task.task, b.names, b.taken, std::move(record));
    }
    const Storing storing = task.storing == Storing::kHandedOn ? Storing::kStored : task.storing;
    ResultRecord record = RecordOf(outcome, bytes, tools_->UnixNow(), storing, {});
    // Without it, all that came along would have to be rendered again.
    record.seconds += seconds;
    add(outcome, key, *task.task, names, true, std::move(record));
    commits_->Add(std::move(batch), [this, outcome, key, records, bundle, then](const absl::StatusOr<uint64_t>& done) {
      Committed(outcome, key, records, bundle, done.status(), then);
    });
  });
}

void Results::Count(const TaskOutcome& outcome, const ResultKey& key, const std::vector<Warning>& warnings) {
  ++counts_.rendered;
  counts_.tiles_rendered += outcome.tiles_rendered();
  counts_.tiles_reused += outcome.tiles_reused();
  farm_->TellResult(key, {outcome.tiles_rendered(), outcome.tiles_reused(), warnings});
}

// Durable, or not: who waits is told.
void Results::Committed(const TaskOutcome& outcome, const ResultKey& key, const HandedIn& records, const Bundle& bundle,
                        const absl::Status& done, const Then<FinishReply>& then) {
  sched::Scheduler& scheduler = farm_->scheduler();
  for (const Brought& b : *bundle) {
    if (!b.taken) continue;
    invalidations_->Withdraw(b.key);
    if (done.ok()) Count(b.outcome, b.key, records.at(b.key).warnings);
    scheduler.EndBring(b.key, done.ok(), b.outcome.seconds(), tools_->Now(), Reused(b.outcome));
  }
  invalidations_->Withdraw(key);
  if (done.ok()) Count(outcome, key, records.at(key).warnings);
  // Without a bundle its trace would have said so before it was rendered.
  const bool cut_off = outcome.inner_size() > 0 && Reused(outcome);
  scheduler.EndCommit(key, outcome.worker_id(), done.ok(), outcome.seconds(), tools_->Now(), cut_off);
  farm_->RunEffects();
  if (done.ok()) return then(FinishReply());
  if (!absl::IsFailedPrecondition(done)) return then(done);
  // Tiles went between the look and the commit.
  tools_->pool->Post([this, outcome, then] { then(MissingOf(outcome.manifest(), *tools_->cache.tiles)); });
}

}  // namespace selvage
