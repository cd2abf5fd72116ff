// Workers: what they report, what they are told, what they hand in.
#include <algorithm>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "server/engine.h"

namespace selvage {

namespace {

// Messages of workers are shown to people and kept: bounded.
constexpr size_t kMaxMessage = 2000;
// Digests that one FinishReply names; the worker hands in again for the rest.
constexpr size_t kMaxMissing = 10'000;

std::string Clip(std::string text) {
  if (text.size() > kMaxMessage) text.resize(kMaxMessage);
  return text;
}

std::vector<ResultKey> InputKeys(const PlannedTask& task) {
  std::vector<ResultKey> keys;
  for (const PlannedInput& in : task.inputs) {
    if (in.result) keys.push_back(*in.result);
  }
  return keys;
}

// Contents of the results a task reads, in input order; the missing one if there is one.
struct Contents {
  std::vector<Digest> digests;
  std::optional<ResultKey> missing;
};
absl::StatusOr<Contents> ContentsOf(const std::vector<ResultKey>& keys, ResultIndex& index) {
  auto records = index.Find(keys);
  if (!records.ok()) return records.status();
  Contents c;
  for (size_t i = 0; i < keys.size(); ++i) {
    if (!(*records)[i]) {
      c.missing = keys[i];
      return c;
    }
    c.digests.push_back(ContentDigest((*records)[i]->manifest));
  }
  return c;
}

}  // namespace

std::shared_ptr<Errand> Engine::ErrandOf(sched::JobNumber number) {
  auto it = numbers_.find(number);
  return it == numbers_.end() ? nullptr : it->second;
}

const PlannedTask* Engine::TaskOf(sched::JobNumber job, uint32_t local, std::shared_ptr<const Plan>* plan) {
  const std::shared_ptr<Errand> e = ErrandOf(job);
  if (!e || e->rendering != job || !e->plan || local >= e->plan->tasks.size()) return nullptr;
  *plan = e->plan;
  return &e->plan->tasks[local];
}

const PlannedTask* Engine::TaskOf(const ResultKey& key, std::shared_ptr<const Plan>* plan) {
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return nullptr;
  for (const sched::Waiter& w : task->waiters) {
    if (const PlannedTask* found = TaskOf(w.job->number, w.local, plan)) return found;
  }
  return nullptr;
}

void Engine::RunEffects() {
  if (in_effects_) return;  // the loop below takes them all
  in_effects_ = true;
  for (auto effects = scheduler_.TakeEffects(); !effects.empty(); effects = scheduler_.TakeEffects()) {
    for (sched::Effect& e : effects) {
      const std::shared_ptr<Errand> errand = ErrandOf(e.job);
      switch (e.type) {
        case sched::Effect::kStart:
          StartTask(e);
          break;
        case sched::Effect::kStop: {
          WorkerOrders orders;
          RunningTask* stop = orders.add_stop();
          stop->set_key(e.key.digest.str());
          stop->set_attempt(e.attempt);
          Order(e.worker_id, std::move(orders));
          break;
        }
        case sched::Effect::kAsk:
          Answer(e);
          break;
        case sched::Effect::kProblem:
        case sched::Effect::kSetback: {
          if (!errand) break;
          if (errand->inspection == e.job && e.local < errand->inspecting.size()) {
            const PlateFile& file = errand->inspecting[e.local].file;
            StackError error;
            error.set_path(absl::StrCat("plate[", file.plate, "].files"));
            error.set_message(absl::StrCat("plate \"", errand->stack->plate(file.plate).name(), "\" frame ", file.frame,
                                           ": ", e.message));
            if (e.type == sched::Effect::kProblem && errand->errors.size() < 50) errand->errors.push_back(error);
            if (e.type == sched::Effect::kSetback) AddProblem(errand.get(), error.message());
            break;
          }
          std::shared_ptr<const Plan> plan;
          if (const PlannedTask* t = TaskOf(e.job, e.local, &plan)) {
            const std::string again = e.type == sched::Effect::kSetback ? " (will be tried again)" : "";
            AddProblem(errand.get(), absl::StrCat("pass \"", t->pass, "\" frame ", t->frame, ": ", e.message, again));
            stats_.failed += e.type == sched::Effect::kProblem;
          }
          break;
        }
        case sched::Effect::kJobFinished:
          if (!errand) break;
          if (errand->inspection == e.job) {
            OnInspected(errand);
          } else if (errand->rendering == e.job) {
            OnRendered(errand);
          }
          break;
      }
    }
  }
  in_effects_ = false;
}

void Engine::StartTask(const sched::Effect& effect) {
  if (stopping_) return;
  WorkerOrders orders;
  for (const sched::JobNumber number : scheduler_.JobsOf(effect.key)) {
    const std::shared_ptr<Errand> e = ErrandOf(number);
    if (!e || e->inspection != number) continue;
    const sched::Task* task = scheduler_.FindTask(effect.key);
    for (const sched::Waiter& w : task->waiters) {
      if (w.job->number != number || w.local >= e->inspecting.size()) continue;
      const PlateFile& file = e->inspecting[w.local].file;
      TaskSpec* spec = orders.add_start();
      spec->set_key(effect.key.digest.str());
      spec->set_attempt(effect.attempt);
      spec->mutable_inspect()->set_path(file.path);
      spec->set_stack(e->stack->name());
      spec->set_pass("plate " + e->stack->plate(file.plate).name());
      spec->set_frame(file.frame);
      return Order(effect.worker_id, std::move(orders));
    }
  }
  std::shared_ptr<const Plan> plan;
  const PlannedTask* task = TaskOf(effect.key, &plan);
  if (task == nullptr) return;
  pool_->Post([this, plan, task, effect] {
    const std::vector<ResultKey> keys = InputKeys(*task);
    auto records = cache_.index->Find(keys);
    std::map<ResultKey, const Manifest*> manifests;
    std::optional<ResultKey> missing;
    for (size_t i = 0; records.ok() && i < keys.size(); ++i) {
      if ((*records)[i]) {
        manifests[keys[i]] = &(*records)[i]->manifest;
      } else {
        missing = keys[i];
      }
    }
    if (!records.ok() || missing) {
      pool_->PostSerial([this, effect, missing, status = records.status()] {
        if (missing) {
          scheduler_.InputLost(effect.key, effect.worker_id, *missing, Now());
        } else {
          scheduler_.TaskSetback(effect.key, effect.worker_id, std::string(status.message()), Now());
        }
        RunEffects();
      });
      return;
    }
    WorkerOrders orders;
    TaskSpec* spec = orders.add_start();
    *spec = MakeTaskSpec(*plan, *task, [&](const ResultKey& key) -> const Manifest* {
      auto it = manifests.find(key);
      return it == manifests.end() ? nullptr : it->second;
    });
    spec->set_attempt(effect.attempt);
    cache_.touch(keys);
    pool_->PostSerial([this, worker = effect.worker_id, orders = std::move(orders)]() mutable {
      Order(worker, std::move(orders));
    });
  });
}

void Engine::Order(const std::string& worker_id, WorkerOrders orders) {
  auto it = workers_.find(worker_id);
  if (it == workers_.end()) return;
  orders.set_heartbeat_ms(options_.heartbeat_ms);
  orders.set_lease_ms(options_.lease_ms);
  it->second.link->Send(std::move(orders));
}

// Is the result known already, under its own key or under its trace key?
void Engine::Answer(const sched::Effect& effect) {
  std::shared_ptr<const Plan> plan;
  const PlannedTask* task = TaskOf(effect.key, &plan);
  if (task == nullptr) return;
  std::vector<NameRecord> names = NamesFor(effect.key);
  pool_->Post([this, plan, task, effect, names = std::move(names)]() mutable {
    std::optional<ResultKey> missing;
    const absl::StatusOr<bool> hit = [&]() -> absl::StatusOr<bool> {
      auto own = cache_.index->Find({&effect.key, 1});
      if (!own.ok()) return own.status();
      if (own->front() || !effect.by_trace) return own->front().has_value();
      auto contents = ContentsOf(InputKeys(*task), *cache_.index);
      if (!contents.ok()) return contents.status();
      missing = contents->missing;
      if (missing) return false;
      const Digest trace = TraceKey(*task, contents->digests);
      auto same = cache_.index->FindTrace(trace);
      if (!same.ok() || !*same) return false;
      auto record = cache_.index->Find({&**same, 1});
      if (!record.ok() || !record->front()) return false;
      auto lacking = cache_.tiles->FindMissing(StoredDigests(record->front()->manifest));
      if (!lacking.ok() || !lacking->empty()) return false;
      IndexBatch batch;
      batch.results.push_back({effect.key, std::move(*record->front())});
      batch.names = std::move(names);
      return cache_.commit(std::move(batch)).ok();
    }();
    pool_->PostSerial([this, effect, missing, found = hit.ok() && *hit] {
      if (missing) {
        scheduler_.ResultLost(*missing, Now());
      } else {
        stats_.reused += found;
        scheduler_.Answer(effect.key, effect.question, found, Now());
      }
      RunEffects();
    });
  });
}

void Engine::Report(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report) {
  pool_->PostSerial([this, link, report] {
    if (stopping_) return link->Close(absl::UnavailableError("the daemon is going down"));
    WorkerInfo& info = workers_[report.worker_id()];
    const bool fresh = info.link != link;
    info.link = link;
    info.name = Clip(report.name());
    if (fresh) Order(report.worker_id(), {});
    std::vector<sched::Running> running;
    for (const RunningTask& r : report.running()) {
      if (auto key = Digest::FromBytes(r.key())) running.push_back({{*key}, r.attempt()});
    }
    scheduler_.Report(report.worker_id(), report.slots(), report.draining(), running, Now());
    RunEffects();
  });
}

void Engine::LinkClosed(const std::shared_ptr<WorkerLink>& link) {
  pool_->PostSerial([this, link] {
    for (auto it = workers_.begin(); it != workers_.end(); ++it) {
      if (it->second.link != link) continue;
      const std::string id = it->first;
      workers_.erase(it);
      scheduler_.Disconnected(id, Now());
      RunEffects();
      return;
    }
  });
}

void Engine::Workers(Then<WorkersReply> then) {
  pool_->PostSerial([this, then = std::move(then)] {
    WorkersReply reply;
    for (const auto& [number, w] : scheduler_.workers().all()) {
      WorkersReply::Worker* out = reply.add_worker();
      out->set_worker_id(w.id);
      auto info = workers_.find(w.id);
      out->set_name(info == workers_.end() ? w.id : info->second.name);
      out->set_slots(w.slots);
      out->set_running(static_cast<uint32_t>(w.leased.size()));
      out->set_done(w.done);
      out->set_seconds_since_report(Now() - w.last_report);
      out->set_draining(w.draining);
    }
    then(std::move(reply));
  });
}

void Engine::Finish(const TaskOutcome& outcome, Then<FinishReply> then) {
  const std::optional<Digest> digest = Digest::FromBytes(outcome.key());
  if (!digest) return then(absl::InvalidArgumentError("the key of an outcome must have 32 bytes"));
  const ResultKey key{*digest};
  switch (outcome.result_case()) {
    case TaskOutcome::kError: return FinishError(outcome, key, std::move(then));
    case TaskOutcome::kFacts: return FinishFacts(outcome, key, std::move(then));
    case TaskOutcome::kManifest: return FinishManifest(outcome, key, std::move(then));
    case TaskOutcome::RESULT_NOT_SET: break;
  }
  then(absl::InvalidArgumentError("an outcome needs a manifest, facts or an error"));
}

void Engine::FinishError(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  pool_->PostSerial([this, outcome, key, then = std::move(then)] {
    then(FinishReply());
    const TaskError& error = outcome.error();
    const std::string& worker = outcome.worker_id();
    const std::string message = Clip(error.message());
    std::shared_ptr<const Plan> plan;
    const PlannedTask* task = TaskOf(key, &plan);
    const PlannedInput* input = task && error.input() < task->inputs.size() ? &task->inputs[error.input()] : nullptr;
    if (error.class_() == TaskError::OPERATOR) {
      scheduler_.TaskFailed(key, worker, message, Now());
    } else if (error.class_() == TaskError::INPUT_LOST && input && input->result) {
      // Damaged tiles are deleted by reading them: else the input, rendered
      // again, would be taken for already stored.
      pool_->Post([this, key, worker, lost = *input->result] {
        auto record = cache_.index->Find({&lost, 1});
        if (record.ok() && record->front()) (void)cache_.tiles->Get(StoredDigests(record->front()->manifest));
        IndexBatch batch;
        batch.forget.push_back(lost);
        (void)cache_.commit(std::move(batch));
        pool_->PostSerial([this, key, worker, lost] {
          scheduler_.InputLost(key, worker, lost, Now());
          RunEffects();
        });
      });
    } else if (error.class_() == TaskError::PLATE_CHANGED && input && input->plate) {
      const auto waiting = scheduler_.JobsOf(key);
      scheduler_.Postpone(key, worker, Now() + 5, Now());
      pool_->Post([this, waiting, path = input->plate->path(), message] {
        IndexBatch batch;
        batch.values.push_back({FactsName(path), ""});
        (void)cache_.commit(std::move(batch));
        pool_->PostSerial([this, waiting, path, message] {
          for (const sched::JobNumber number : waiting) {
            const std::shared_ptr<Errand> e = ErrandOf(number);
            if (!e || e->replanning) continue;
            e->fresh.erase(path);
            if (++e->replans > 5) {
              AddProblem(e.get(), absl::StrCat(path, " keeps changing: ", message));
              End(e, JOB_FAILED, absl::FailedPreconditionError(message));
            } else {
              Replan(e);
            }
          }
        });
      });
    } else {
      scheduler_.TaskSetback(key, worker, message, Now());
    }
    RunEffects();
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
    RunEffects();
    pool_->Post([this, outcome, key, path] {
      absl::Status status = absl::OkStatus();
      if (WorthRemembering(outcome.facts(), UnixMilliseconds() * 1'000'000)) {
        IndexBatch batch;
        batch.values.push_back({FactsName(path), outcome.facts().SerializeAsString()});
        // Facts that cannot be remembered are still good for this job.
        (void)cache_.commit(std::move(batch));
      }
      pool_->PostSerial([this, outcome, key] {
        scheduler_.EndCommit(key, outcome.worker_id(), true, outcome.seconds(), Now());
        RunEffects();
      });
    });
  });
}

void Engine::FinishManifest(const TaskOutcome& outcome, const ResultKey& key, Then<FinishReply> then) {
  pool_->Post([this, outcome, key, then = std::move(then)]() mutable {
    if (absl::Status s = ValidateManifest(outcome.manifest()); !s.ok()) return then(s);
    const std::vector<Digest> digests = StoredDigests(outcome.manifest());
    auto missing = cache_.tiles->FindMissing(digests);
    if (!missing.ok()) return then(missing.status());
    if (!missing->empty()) {
      FinishReply reply;
      for (const Digest& d : *missing) {
        if (reply.missing_size() >= static_cast<int>(kMaxMissing)) break;
        reply.add_missing(d.str());
      }
      return then(std::move(reply));
    }
    // Stored bytes are not known without reading; content is close enough for
    // halves, which compress little.
    const Manifest& m = outcome.manifest();
    const uint64_t tile_bytes = kTileSize * kTileSize * (m.full_precision() ? 4 : 2);
    const uint64_t bytes = m.kind() == BLOB ? m.blob_size() : digests.size() * tile_bytes;
    pool_->PostSerial([this, outcome, key, bytes, then = std::move(then)]() mutable {
      CommitManifest(outcome, key, bytes, std::move(then));
    });
  });
}

std::vector<NameRecord> Engine::NamesFor(const ResultKey& key) {
  std::vector<NameRecord> names;
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return names;
  for (const sched::Waiter& w : task->waiters) {
    std::shared_ptr<const Plan> plan;
    const PlannedTask* planned = TaskOf(w.job->number, w.local, &plan);
    if (planned && planned->pass != "look") names.push_back(NameOf(*plan, *planned));
  }
  return names;
}

void Engine::CommitManifest(const TaskOutcome& outcome, const ResultKey& key, uint64_t bytes, Then<FinishReply> then) {
  std::shared_ptr<const Plan> plan;
  const PlannedTask* task = TaskOf(key, &plan);
  if (task == nullptr) {
    // After a restart it may belong to a job that is being planned anew.
    if (restoring_ > 0) return then(absl::UnavailableError("the daemon is reading its jobs back; hand in again"));
    return then(FinishReply());
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
  RunEffects();
  pool_->Post([this, plan, task, outcome, key, bytes, names = NamesFor(key), then = std::move(then)]() mutable {
    IndexBatch batch;
    ResultRecord record;
    record.manifest = outcome.manifest();
    record.seconds = outcome.seconds();
    record.worker = outcome.worker_id();
    record.made_unix_ms = UnixMilliseconds();
    record.bytes = bytes;
    batch.results.push_back({key, std::move(record)});
    batch.names = std::move(names);
    const std::vector<ResultKey> inputs = InputKeys(*task);
    if (!inputs.empty()) {
      auto contents = ContentsOf(inputs, *cache_.index);
      if (contents.ok() && !contents->missing) batch.traces.push_back({TraceKey(*task, contents->digests), key});
    }
    const absl::Status status = cache_.commit(std::move(batch));
    pool_->PostSerial([this, outcome, key, status, then = std::move(then)] {
      stats_.rendered += status.ok();
      scheduler_.EndCommit(key, outcome.worker_id(), status.ok(), outcome.seconds(), Now());
      RunEffects();
      then(status.ok() ? absl::StatusOr<FinishReply>(FinishReply()) : status);
    });
  });
}

}  // namespace selvage
