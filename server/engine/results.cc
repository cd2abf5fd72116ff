#include "server/engine/results.h"

#include <algorithm>
#include <map>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/catalogue.h"
#include "proto/status.h"
#include "server/engine/check_outcome.h"
#include "server/engine/task_inputs.h"
#include "server/engine/warnings.h"
#include "server/log.h"

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

// A name that was cut may have been cut within a letter, and is no text then.
std::string AsText(std::string name) {
  if (name.size() < kMaxWorkerName) return name;
  while (!name.empty() && (static_cast<unsigned char>(name.back()) & 0xC0) == 0x80) name.pop_back();
  if (!name.empty() && static_cast<unsigned char>(name.back()) >= 0xC0) name.pop_back();
  return name;
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
  const auto arrival = std::make_shared<Arrival>(Arrival{outcome, {*digest}, farm_->LeaseOf({*digest}, outcome)});
  switch (outcome.result_case()) {
    case TaskOutcome::kError:
      then(FinishReply());
      return FinishError(*arrival);
    case TaskOutcome::kFacts:
      return FinishFacts(*arrival, std::move(then));
    case TaskOutcome::kManifest:
      return FinishManifest(arrival, std::move(then));
    case TaskOutcome::RESULT_NOT_SET:
      break;
  }
  then(absl::InvalidArgumentError("an outcome needs a manifest, facts or an error"));
}

// --- Errors.

void Results::FinishError(const Arrival& arrival) {
  const auto& [outcome, key, lease] = arrival;
  WriteDown(arrival, outcome, key, kFailed);
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

void Results::FinishFacts(const Arrival& arrival, Then<FinishReply> then) {
  const auto& [outcome, key, lease] = arrival;
  if (absl::Status bad = CheckFacts(outcome); !bad.ok()) return then(bad);
  then(FinishReply());
  PlateFacts facts = outcome.facts();
  const std::string path = farm_->TellFacts(key, &facts);
  sched::Scheduler& scheduler = farm_->scheduler();
  if (path.empty() || !scheduler.BeginCommit(key, outcome.worker_id(), tools_->Now())) return farm_->RunEffects();
  if (WorthRemembering(facts, tools_->UnixNow() * 1'000'000)) {
    IndexBatch batch;
    plates_->Remember(path, facts, &batch);
    // Facts that cannot be remembered are still good for this job.
    commits_->AddSometime(std::move(batch));
  }
  WriteDown(arrival, outcome, key, kLeased);
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

void Results::FinishManifest(const Arrived& arrival, Then<FinishReply> then) {
  const std::optional<Farm::Task> task = farm_->TaskOf(arrival->key);
  tools_->pool->Post([this, arrival, task, bundle = Unpack(arrival->outcome), then = std::move(then)]() mutable {
    const TaskOutcome& outcome = arrival->outcome;
    absl::Status bad = CheckManifestOutcome(outcome);
    if (bad.ok() && task) bad = Check(outcome, *task, *bundle);
    if (!bad.ok()) return Refuse(arrival, bad, std::move(then));
    auto missing = MissingOf(outcome.manifest(), *tools_->cache.tiles);
    if (!missing.ok() || !missing->missing().empty()) return then(std::move(missing));
    if (task) {
      bad = CheckBlob(outcome.manifest(), *task->task, *task->plan, *task->round, *tools_->cache.index,
                      *tools_->cache.tiles);
    }
    if (!bad.ok()) return Refuse(arrival, bad, std::move(then));
    const uint64_t bytes = BytesOf(outcome.manifest());
    tools_->pool->PostSerial(
        [this, arrival, bytes, bundle, checked = task.has_value(), then = std::move(then)]() mutable {
          // Its job was planned meanwhile.
          if (!checked && farm_->TaskOf(arrival->key)) return FinishManifest(arrival, std::move(then));
          Take(arrival, bytes, bundle, std::move(then));
        });
  });
}

// On any thread. The task goes to another worker.
void Results::Refuse(const Arrived& arrival, const absl::Status& why, Then<FinishReply> then) {
  tools_->pool->PostSerial([this, arrival, why, then = std::move(then)] {
    if (absl::IsInvalidArgument(why)) {
      const std::string& worker = arrival->outcome.worker_id();
      ++counts_.refused;
      WriteDown(*arrival, arrival->outcome, arrival->key, kFailed);
      farm_->scheduler().TaskSetback(
          arrival->key, worker,
          absl::StrCat("worker ", farm_->WorkerName(worker), " handed in a wrong result: ", why.message()),
          tools_->Now());
      farm_->RunEffects();
    }
    then(why);
  });
}

// Is it wanted, and is its maker trusted?
void Results::Take(const Arrived& arrival, uint64_t bytes, const Bundle& bundle, Then<FinishReply> then) {
  const auto& [outcome, key, lease] = *arrival;
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
    CompareLate(arrival);
    return then(FinishReply());
  }
  std::vector<Maker> makers(outcome.maker().begin(), outcome.maker().end());
  makers.emplace_back().set_worker(MakerOf(outcome));
  invalidations_->Announce(key, std::move(makers));
  TakeBundle(outcome, bundle);
  farm_->RunEffects();
  Commit(arrival, *task, bytes, bundle, std::move(then));
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
void Results::CompareLate(const Arrived& arrival) {
  tools_->pool->Post([this, arrival] {
    const auto record = tools_->cache.index->Find({&arrival->key, 1});
    if (!record.ok() || !record->front()) return;
    if (ContentDigest(record->front()->manifest) == ContentDigest(arrival->outcome.manifest())) return;
    // Promise 2 is broken on some machine; the first result stays.
    LogEvent(spdlog::level::err, "two workers rendered different pixels for the same task; one of them is sick")
        .With("task", arrival->key.digest.Hex().substr(0, 16))
        .With("stored", record->front()->worker)
        .With("handed_in", MakerOf(arrival->outcome))
        .Write();
    tools_->pool->PostSerial([this] { ++counts_.different_pixels; });
  });
}

void Results::Commit(const Arrived& arrival, const Farm::Task& task, uint64_t bytes, const Bundle& bundle,
                     Then<FinishReply> then) {
  Farm::Named names = farm_->NamesFor(arrival->key);
  tools_->pool->Post([this, task, arrival, bytes, bundle, names = std::move(names), then = std::move(then)] {
    const auto& [outcome, key, lease] = *arrival;
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
    for (Brought& b : *bundle) {
      Measure(b.outcome, *task.plan, *b.task.task, false);
      b.step = StepOf(*b.task.task);
    }
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
    commits_->Add(std::move(batch), [this, arrival, step = StepOf(*task.task), records, bundle,
                                     then](const absl::StatusOr<uint64_t>& done) {
      Committed(arrival, step, records, bundle, done.status(), then);
    });
  });
}

void Results::Count(const TaskOutcome& outcome, const ResultKey& key, const std::string& step,
                    const std::vector<Warning>& warnings) {
  ++counts_.rendered;
  counts_.tiles_rendered += outcome.tiles_rendered();
  counts_.tiles_reused += outcome.tiles_reused();
  Effort& of = steps_[step];
  ++of.tasks;
  of.seconds += outcome.seconds();
  farm_->TellResult(key, {outcome.tiles_rendered(), outcome.tiles_reused(), warnings});
}

// Durable, or not: who waits is told.
void Results::Committed(const Arrived& arrival, const std::string& step, const HandedIn& records, const Bundle& bundle,
                        const absl::Status& done, const Then<FinishReply>& then) {
  const auto& [outcome, key, lease] = *arrival;
  if (done.ok()) {
    WriteDown(*arrival, outcome, key, kLeased);
    for (const Brought& b : *bundle) WriteDown(*arrival, b.outcome, b.key, kInner);
  }
  sched::Scheduler& scheduler = farm_->scheduler();
  for (const Brought& b : *bundle) {
    if (!b.taken) continue;
    invalidations_->Withdraw(b.key);
    if (done.ok()) Count(b.outcome, b.key, b.step, records.at(b.key).warnings);
    scheduler.EndBring(b.key, done.ok(), b.outcome.seconds(), tools_->Now(), Reused(b.outcome));
  }
  invalidations_->Withdraw(key);
  if (done.ok()) Count(outcome, key, step, records.at(key).warnings);
  // Without a bundle its trace would have said so before it was rendered.
  const bool cut_off = outcome.inner_size() > 0 && Reused(outcome);
  scheduler.EndCommit(key, outcome.worker_id(), done.ok(), outcome.seconds(), tools_->Now(), cut_off);
  farm_->RunEffects();
  if (done.ok()) return then(FinishReply());
  if (!absl::IsFailedPrecondition(done)) return then(done);
  // Tiles went between the look and the commit.
  tools_->pool->Post([this, arrival, then] { then(MissingOf(arrival->outcome.manifest(), *tools_->cache.tiles)); });
}

// Where the time went, for the jobs that wait for it.
void Results::WriteDown(const Arrival& arrival, const TaskOutcome& outcome, const ResultKey& key, Part part) {
  const double now = tools_->Now();
  for (const Farm::Waiting& w : farm_->WaitingFor(key)) {
    const sched::Job* job = farm_->scheduler().FindJob(w.job);
    if (w.order->job_id.empty() || job == nullptr || !job->tasks[w.local].needed) continue;
    // Taken from a worker that it was not leased to any more.
    if (!arrival.lease) {
      times_->LeaveOut(w.order->job_id);
      continue;
    }
    TracedTask task;
    if (w.task != nullptr) {
      task.set_pass(w.task->pass);
      task.set_frame(w.task->frame);
      const std::vector<Step>& steps = *w.task->steps;
      const Operator* first = steps.empty() ? nullptr : OperatorOf(steps.front());
      if (first != nullptr) task.set_step(first->name);
    } else if (w.order->files && w.local < w.order->files->size()) {
      const plan::PlateFile& file = (*w.order->files)[w.local].file;
      task.set_pass("plate " + w.order->round->stack->plate(file.plate).name());
      task.set_frame(file.frame);
    }
    task.set_worker(AsText(MakerOf(arrival.outcome)));
    task.set_attempt(arrival.lease->attempt);
    task.set_inner(part == kInner);
    task.set_failed(part == kFailed);
    if (CheckSpans(outcome).ok()) *task.mutable_span() = outcome.span();
    times_->Add(w.order->job_id, {arrival.lease->ready, arrival.lease->leased, arrival.lease->came_in, now},
                std::move(task));
  }
}

}  // namespace selvage
