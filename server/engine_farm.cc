// Workers: what they report and what they are told.
#include <algorithm>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/status.h"
#include "server/engine.h"
#include "server/plan/names.h"
#include "server/warnings.h"
#include "server/task_inputs.h"

namespace selvage {

namespace {

// What the cache knows of a task that is about to run.
struct Known {
  bool own = false;                        // under its own key
  std::vector<Warning> warnings;           // of it, then
  std::optional<ResultRecord> twin;        // same pixels under another key
  std::optional<ResultKey> missing_input;  // of those that were thought to be there
};
absl::StatusOr<Known> FindKnown(const plan::PlannedTask& task, bool by_trace, const Cache& cache) {
  Known known;
  ASSIGN_OR_RETURN(const auto own, cache.index->Find({&task.key, 1}));
  known.own = own.front().has_value();
  if (known.own) known.warnings = AsNamedBy(task, own.front()->warnings);
  if (known.own || !by_trace) return known;
  ASSIGN_OR_RETURN(Contents contents, ContentsOf(InputKeys(task), *cache.index));
  known.missing_input = contents.missing;
  if (contents.missing) return known;
  ASSIGN_OR_RETURN(const auto same, cache.index->FindTrace(plan::TraceKey(task, contents.digests)));
  if (!same) return known;
  ASSIGN_OR_RETURN(auto record, cache.index->Find({&*same, 1}));
  if (!record.front()) return known;
  ASSIGN_OR_RETURN(const auto lacking, cache.tiles->FindMissing(StoredDigests(record.front()->manifest)));
  if (!lacking.empty()) return known;
  known.twin = std::move(*record.front());
  known.twin->warnings = known.warnings = WarningsOf(task, OwnTexts(known.twin->warnings), contents.warnings);
  return known;
}

}  // namespace

std::shared_ptr<Errand> Engine::ErrandOf(sched::JobNumber number) {
  auto it = numbers_.find(number);
  return it == numbers_.end() ? nullptr : it->second;
}

const plan::PlannedTask* Engine::TaskOf(sched::JobNumber job, uint32_t local, std::shared_ptr<const plan::Plan>* plan) {
  const std::shared_ptr<Errand> e = ErrandOf(job);
  if (!e || e->rendering != job || !e->plan || local >= e->plan->tasks.size()) return nullptr;
  *plan = e->plan;
  return &e->plan->tasks[local];
}

const plan::PlannedTask* Engine::TaskOf(const ResultKey& key, std::shared_ptr<const plan::Plan>* plan) {
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return nullptr;
  for (const sched::Waiter& w : task->waiters) {
    if (const plan::PlannedTask* found = TaskOf(w.job->number, w.local, plan)) return found;
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
            const plan::PlateFile& file = errand->inspecting[e.local].file;
            StackError error;
            error.set_path(absl::StrCat("plate[", file.plate, "].files"));
            error.set_message(absl::StrCat("plate \"", errand->stack->plate(file.plate).name(), "\" frame ", file.frame,
                                           ": ", e.message));
            if (e.type == sched::Effect::kProblem && errand->errors.size() < 50) errand->errors.push_back(error);
            if (e.type == sched::Effect::kSetback) AddProblem(errand.get(), error.message());
            break;
          }
          std::shared_ptr<const plan::Plan> plan;
          if (const plan::PlannedTask* t = TaskOf(e.job, e.local, &plan)) {
            const std::string again = e.type == sched::Effect::kSetback ? " (will be tried again)" : "";
            AddProblem(errand.get(),
                       absl::StrCat(plan::PassInWords(t->pass), " frame ", t->frame, ": ", e.message, again));
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
      const plan::PlateFile& file = e->inspecting[w.local].file;
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
  std::shared_ptr<const plan::Plan> plan;
  const plan::PlannedTask* task = TaskOf(effect.key, &plan);
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
    *spec = plan::MakeTaskSpec(*plan, *task, [&](const ResultKey& key) -> const Manifest* {
      auto it = manifests.find(key);
      return it == manifests.end() ? nullptr : it->second;
    });
    spec->set_attempt(effect.attempt);
    // Without it the task is only slower.
    auto earlier = EarlierOf(plan->stack_name, *task, *cache_.index);
    if (earlier.ok() && *earlier) *spec->mutable_earlier() = *std::move(*earlier);
    cache_.evictor->NoteUse(keys);
    pool_->PostSerial([this, worker = effect.worker_id, orders = std::move(orders)]() mutable {
      TaskSpec* task_spec = orders.mutable_start(0);
      if (DistrustsAny(task_spec->earlier().maker())) task_spec->clear_earlier();
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
  std::shared_ptr<const plan::Plan> plan;
  const plan::PlannedTask* task = TaskOf(effect.key, &plan);
  if (task == nullptr) return;
  pool_->Post([this, plan, task, effect, names = NamesFor(effect.key)]() mutable {
    auto found = FindKnown(*task, effect.by_trace, cache_);
    const auto tell = [this, effect, warnings = found.ok() ? found->warnings : std::vector<Warning>()](bool hit) {
      stats_.reused += hit;
      if (hit) NoteWarnings(effect.key, warnings);
      if (hit) UnpinInputs(effect.key);
      scheduler_.Answer(effect.key, effect.question, hit, Now());
      RunEffects();
    };
    if (found.ok() && found->missing_input) {
      pool_->PostSerial([this, lost = *found->missing_input] {
        scheduler_.ResultLost(lost, Now());
        RunEffects();
      });
    } else if (found.ok() && found->twin) {
      // Known under another recipe: from now on under this one too.
      IndexBatch batch;
      for (const auto& [plan_of, named] : names) AddName(*plan_of, *named, &batch);
      batch.results.push_back({effect.key, std::move(*found->twin)});
      pool_->PostSerial([this, tell, effect, batch = std::move(batch)]() mutable {
        std::vector<Maker> makers = MakersOf(batch.results.front().second);
        if (DistrustsAny(makers)) return tell(false);
        committing_[effect.key] = std::move(makers);
        Commit(std::move(batch), [this, tell, key = effect.key](const absl::StatusOr<uint64_t>& done) {
          committing_.erase(key);
          tell(done.ok());
        });
      });
    } else {
      pool_->PostSerial([tell, hit = found.ok() && found->own] { tell(hit); });
    }
  });
}

void Engine::Report(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report) {
  pool_->PostSerial([this, link, report] {
    if (stopping_) return link->Close(absl::UnavailableError("the daemon is going down"));
    WorkerInfo& info = workers_[report.worker_id()];
    const bool fresh = info.link != link;
    info.link = link;
    info.name = report.name().substr(0, kMaxWorkerName);
    if (fresh) Order(report.worker_id(), {});
    std::vector<sched::Running> running;
    for (const RunningTask& r : report.running()) {
      if (auto key = Digest::FromBytes(r.key())) running.push_back({{*key}, r.attempt()});
    }
    scheduler_.Report(report.worker_id(), report.slots(), report.draining(), running, Now());
    RunEffects();
  });
}

std::string Engine::WorkerName(const std::string& worker_id) const {
  auto it = workers_.find(worker_id);
  return it == workers_.end() || it->second.name.empty() ? worker_id : it->second.name;
}

bool Engine::Distrusts(const std::string& worker, int64_t made_unix_ms) const {
  for (const auto& [name, count] : disowning_) {
    if (IsWorkerOf(worker, name)) return true;
  }
  return epochs_.Distrusts(worker, made_unix_ms);
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
      out->set_name(WorkerName(w.id));
      out->set_slots(w.slots);
      out->set_running(static_cast<uint32_t>(w.leased.size()));
      out->set_done(w.done);
      out->set_seconds_since_report(Now() - w.last_report);
      out->set_draining(w.draining);
    }
    then(std::move(reply));
  });
}

}  // namespace selvage
