#include "server/engine/farm.h"

#include <algorithm>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/engine/known_result.h"
#include "server/engine/names.h"
#include "server/engine/task_inputs.h"
#include "server/log.h"

namespace selvage {
namespace {

sched::Options SchedulerOptions(const EngineOptions& o) {
  sched::Options options = o.scheduler;
  options.lease = o.lease_ms / 1000.0;
  options.reconnect_grace = o.reconnect_seconds;
  // What workers ran before a restart becomes known when jobs are planned again.
  options.stop_unknown_after = 30;
  return options;
}

}  // namespace

Farm::Farm(Tools* tools, Commits* commits, Invalidations* invalidations)
    : tools_(tools), commits_(commits), invalidations_(invalidations), scheduler_(SchedulerOptions(tools->options)) {}

sched::JobNumber Farm::Place(Order order, sched::NewJob job) {
  job.number = next_number_++;
  const Order& placed = orders_[job.number] = std::move(order);
  scheduler_.AddJob(job, tools_->Now());
  for (size_t i = 0; placed.files && i < placed.files->size(); ++i) {
    const auto known = facts_.find(job.tasks[i].key);
    if (known != facts_.end()) placed.customer->OnFacts((*placed.files)[i].file.path, known->second);
  }
  return job.number;
}

void Farm::Remove(sched::JobNumber* number) {
  if (*number == 0) return;
  const bool inspection = orders_[*number].files != nullptr;
  orders_.erase(*number);
  scheduler_.RemoveJob(*number, tools_->Now());
  *number = 0;
  if (inspection) std::erase_if(facts_, [&](const auto& f) { return scheduler_.FindTask(f.first) == nullptr; });
}

void Farm::Tick() {
  std::erase_if(gone_, [this](const auto& gone) { return !scheduler_.workers().Has(gone.second); });
  scheduler_.Tick(tools_->Now());
  RunEffects();
}

void Farm::RunEffects() {
  if (in_effects_) return;  // the loop below takes them all
  in_effects_ = true;
  for (auto effects = scheduler_.TakeEffects(); !effects.empty(); effects = scheduler_.TakeEffects()) {
    for (const sched::Effect& effect : effects) Do(effect);
  }
  in_effects_ = false;
}

void Farm::Do(const sched::Effect& effect) {
  switch (effect.type) {
    case sched::Effect::kStart:
      return Start(effect);
    case sched::Effect::kStop:
      return Stop(effect);
    case sched::Effect::kAsk:
      return Answer(effect);
    case sched::Effect::kProblem:
    case sched::Effect::kSetback:
      return Tell(effect);
    case sched::Effect::kJobFinished:
      // The customer may remove the order.
      if (const auto order = orders_.find(effect.job); order != orders_.end()) {
        const std::shared_ptr<Customer> customer = order->second.customer;
        customer->OnAllDone(effect.job);
      }
  }
}

void Farm::Start(const sched::Effect& effect) {
  if (tools_->stopping || StartInspection(effect)) return;
  if (const std::optional<Task> task = ToStart(effect)) StartTask(effect, *task);
}

// As the job has it that it is started for, and what comes along there.
std::optional<Farm::Task> Farm::ToStart(const sched::Effect& effect) const {
  const auto order = orders_.find(effect.job);
  if (order == orders_.end() || TaskAt(order->second, effect.local) == nullptr) return TaskOf(effect.key);
  Task task{order->second.round, order->second.plan, TaskAt(order->second, effect.local)};
  for (const uint32_t local : effect.inner) {
    if (const plan::PlannedTask* inner = TaskAt(order->second, local)) task.inner.push_back(inner);
  }
  return task;
}

bool Farm::StartInspection(const sched::Effect& effect) {
  for (const Waiting& w : WaitingFor(effect.key)) {
    if (w.order->files == nullptr || w.local >= w.order->files->size()) continue;
    const plan::PlateFile& file = (*w.order->files)[w.local].file;
    const Stack& stack = *w.order->round->stack;
    WorkerOrders orders;
    TaskSpec* spec = orders.add_start();
    spec->set_key(effect.key.digest.str());
    spec->set_attempt(effect.attempt);
    spec->mutable_inspect()->set_path(file.path);
    spec->set_stack(stack.name());
    spec->set_pass("plate " + stack.plate(file.plate).name());
    spec->set_frame(file.frame);
    Send(effect.worker_id, std::move(orders));
    return true;
  }
  return false;
}

// Looks up what the task reads, and sends it.
void Farm::StartTask(const sched::Effect& effect, const Task& task) {
  tools_->pool->Post([this, task, effect] {
    absl::StatusOr<Readied> readied = ReadyTask(*task.plan, *task.task, task.inner, tools_->cache);
    tools_->pool->PostSerial([this, effect, readied = std::move(readied)]() mutable {
      if (!readied.ok()) {
        scheduler_.TaskSetback(effect.key, effect.worker_id, std::string(readied.status().message()), tools_->Now());
        return RunEffects();
      }
      if (readied->missing_input) {
        scheduler_.InputLost(effect.key, effect.worker_id, *readied->missing_input, tools_->Now());
        return RunEffects();
      }
      readied->spec.set_attempt(effect.attempt);
      if (invalidations_->DistrustsAny(readied->spec.earlier().maker())) readied->spec.clear_earlier();
      for (TaskSpec& inner : *readied->spec.mutable_inner()) {
        if (invalidations_->DistrustsAny(inner.earlier().maker())) inner.clear_earlier();
      }
      WorkerOrders orders;
      *orders.add_start() = std::move(readied->spec);
      Send(effect.worker_id, std::move(orders));
    });
  });
}

void Farm::Stop(const sched::Effect& effect) {
  WorkerOrders orders;
  RunningTask* stop = orders.add_stop();
  stop->set_key(effect.key.digest.str());
  stop->set_attempt(effect.attempt);
  Send(effect.worker_id, std::move(orders));
}

void Farm::Send(const std::string& worker_id, WorkerOrders orders) {
  const auto it = workers_.find(worker_id);
  if (it == workers_.end()) return;
  orders.set_heartbeat_ms(tools_->options.heartbeat_ms);
  orders.set_lease_ms(tools_->options.lease_ms);
  it->second.link->Send(std::move(orders));
}

// Is the result known already, under its own key or as another's pixels?
void Farm::Answer(const sched::Effect& effect) {
  const std::optional<Task> task = TaskOf(effect.key);
  if (!task) return;
  const sched::Task* asked = scheduler_.FindTask(effect.key);
  // Asked for without its inputs' being there, it must be of use to what reads it.
  const bool tiles = !effect.by_trace || asked == nullptr || asked->stored;
  tools_->pool->Post([this, task, effect, tiles, names = NamesFor(effect.key)] {
    absl::StatusOr<KnownResult> known = FindKnownResult(*task->task, effect.by_trace, tiles, tools_->cache);
    IndexBatch batch;
    if (known.ok() && known->twin) {
      // Known under another recipe: from now on under this one too.
      for (const auto& add_name : names) add_name(&batch);
      batch.results.push_back({effect.key, *std::move(known->twin)});
    }
    tools_->pool->PostSerial([this, effect, known = std::move(known), batch = std::move(batch)]() mutable {
      const auto tell = [this, effect, has_tiles = known.ok() && known->has_tiles,
                         warnings = known.ok() ? known->warnings : std::vector<Warning>()](bool hit) {
        counts_.reused += hit;
        if (hit) TellResult(effect.key, {.warnings = warnings});
        scheduler_.Answer(effect.key, effect.question, hit, tools_->Now(), has_tiles);
        RunEffects();
      };
      if (known.ok() && known->missing_input) return ResultLost(*known->missing_input);
      if (batch.results.empty()) return tell(known.ok() && known->own);
      std::vector<Maker> makers = MakersOf(batch.results.front().second);
      if (invalidations_->DistrustsAny(makers)) return tell(false);
      invalidations_->CommitResult(effect.key, std::move(makers), std::move(batch),
                                   [tell](const absl::StatusOr<uint64_t>& done) { tell(done.ok()); });
    });
  });
}

void Farm::Tell(const sched::Effect& effect) {
  const auto order = orders_.find(effect.job);
  if (order == orders_.end()) return;
  const bool for_good = effect.type == sched::Effect::kProblem;
  counts_.failed += for_good && TaskAt(order->second, effect.local) != nullptr;
  const std::shared_ptr<Customer> customer = order->second.customer;
  const sched::Task* task = scheduler_.FindTask(effect.key);
  const bool lost = task != nullptr && !task->lost_by.empty();
  const std::string file = lost ? FileOf(order->second, effect.local) : "";
  const std::string message = file.empty() ? effect.message : absl::StrCat(effect.message, "; it reads ", file);
  Log(effect, order->second, message);
  customer->OnTrouble(effect.job, effect.local, message, for_good);
}

// `task`: the key of the result, by which workers name it too.
void Farm::Log(const sched::Effect& effect, const Order& order, const std::string& message) const {
  const bool for_good = effect.type == sched::Effect::kProblem;
  LogEvent event(for_good ? spdlog::level::err : spdlog::level::warn,
                 absl::StrCat(for_good ? "a task failed: " : "a task will be tried again: ", message));
  event.With("job", order.customer->job_id()).With("stack", order.round->stack->name());
  if (const plan::PlannedTask* task = TaskAt(order, effect.local)) {
    event.With("pass", task->pass).With("frame", task->frame);
  }
  event.With("task", effect.key.digest.Hex().substr(0, 16));
  if (!effect.worker_id.empty()) event.With("worker", WorkerName(effect.worker_id)).With("attempt", effect.attempt);
  event.Write();
}

std::string Farm::FileOf(const Order& order, uint32_t local) {
  if (order.files != nullptr) return local < order.files->size() ? (*order.files)[local].file.path : "";
  const plan::PlannedTask* task = TaskAt(order, local);
  if (task == nullptr) return "";
  for (const plan::PlannedInput& input : task->inputs) {
    if (input.plate) return input.plate->path();
  }
  return "";
}

const plan::PlannedTask* Farm::TaskAt(const Order& order, uint32_t local) {
  return order.plan && local < order.plan->tasks.size() ? &order.plan->tasks[local] : nullptr;
}

std::vector<Farm::Waiting> Farm::WaitingFor(const ResultKey& key) const {
  std::vector<Waiting> waiting;
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return waiting;
  for (const sched::Waiter& w : task->waiters) {
    const auto order = orders_.find(w.job->number);
    if (order == orders_.end()) continue;
    waiting.push_back({w.job->number, w.local, &order->second, TaskAt(order->second, w.local)});
  }
  return waiting;
}

std::optional<Farm::Task> Farm::TaskOf(const ResultKey& key) const {
  std::optional<Task> found;
  for (const Waiting& w : WaitingFor(key)) {
    if (w.task == nullptr) continue;
    const Storing storing = w.order->planned ? w.order->planned->storing[w.local] : Storing::kStored;
    if (!found) {
      found = Task{w.order->round, w.order->plan, w.task, storing};
    } else if (found->storing == Storing::kHandedOn) {
      found->storing = storing;
    }
  }
  return found;
}

std::optional<Farm::Lease> Farm::LeaseOf(const ResultKey& key, const TaskOutcome& outcome) const {
  const sched::Task* task = scheduler_.FindTask(key);
  if (task == nullptr) return std::nullopt;
  for (const sched::Attempt& a : task->attempts) {
    const auto worker = scheduler_.workers().all().find(a.worker);
    if (worker == scheduler_.workers().all().end() || worker->second.id != outcome.worker_id()) continue;
    return Lease{a.number, task->ready_at, a.started, tools_->Now()};
  }
  return std::nullopt;
}

Farm::Named Farm::NamesFor(const ResultKey& key) const {
  Named names;
  for (const Waiting& w : WaitingFor(key)) {
    if (w.task == nullptr) continue;
    names.push_back([plan = w.order->plan, task = w.task, look = w.order->look](IndexBatch* batch) {
      look ? AddLooked(*plan, *task, batch) : AddName(*plan, *task, batch);
    });
  }
  return names;
}

// A file that is mounted elsewhere on the worker's machine may have another number there. Size and
// time stay the worker's: what it saw as it was before must not pass for what lies there now.
std::string Farm::TellFacts(const ResultKey& key, PlateFacts* facts) {
  std::string path;
  for (const Waiting& w : WaitingFor(key)) {
    if (w.order->files == nullptr || w.local >= w.order->files->size()) continue;
    const Uninspected& file = (*w.order->files)[w.local];
    path = file.file.path;
    if (facts->size() == file.state.size && facts->mtime_ns() == file.state.mtime_ns)
      facts->set_inode(file.state.inode);
    w.order->customer->OnFacts(path, *facts);
  }
  if (!path.empty()) facts_[key] = *facts;
  return path;
}

void Farm::TellResult(const ResultKey& key, const ResultNews& news) {
  for (const Waiting& w : WaitingFor(key)) {
    if (w.task != nullptr) w.order->customer->OnResult(w.job, w.local, news);
  }
}

void Farm::ResultLost(const ResultKey& key) {
  scheduler_.ResultLost(key, tools_->Now());
  RunEffects();
}

void Farm::TakeReport(const std::shared_ptr<WorkerLink>& link, const WorkerReport& report) {
  if (tools_->stopping) return link->Close(absl::UnavailableError("the daemon is going down"));
  Worker& worker = workers_[report.worker_id()];
  const bool is_new = worker.link != link;
  if (!is_new && worker.ended) return;
  worker.ended = false;
  worker.link = link;
  worker.name = report.name().substr(0, kMaxWorkerName);
  if (is_new) {
    LogEvent(spdlog::level::info, "a worker is here")
        .With("worker", WorkerName(report.worker_id()))
        .With("slots", report.slots())
        .Write();
    Send(report.worker_id(), {});
  }
  std::vector<sched::Running> running;
  for (const RunningTask& r : report.running()) {
    if (auto key = Digest::FromBytes(r.key())) running.push_back({{*key}, r.attempt(), r.rendered()});
  }
  scheduler_.Report(report.worker_id(), report.slots(), report.draining(), running, tools_->Now());
  RunEffects();
}

void Farm::LinkClosed(const std::shared_ptr<WorkerLink>& link) {
  const auto it =
      std::find_if(workers_.begin(), workers_.end(), [&](const auto& worker) { return worker.second.link == link; });
  if (it == workers_.end()) return;
  const std::string id = it->first;
  LogEvent(spdlog::level::info, "a worker has gone")
      .With("worker", WorkerName(id))
      .With("tasks", scheduler_.LeasedTo(id).size())
      .Write();
  gone_[it->second.name] = id;
  workers_.erase(it);
  scheduler_.Disconnected(id, tools_->Now());
  RunEffects();
}

void Farm::WorkerEnded(const std::string& name, bool crashed) {
  const auto here =
      std::find_if(workers_.begin(), workers_.end(), [&](const auto& w) { return w.second.name == name; });
  const auto gone = gone_.find(name);
  if (here == workers_.end() && gone == gone_.end()) return;
  if (here != workers_.end()) here->second.ended = true;
  scheduler_.Ended(here != workers_.end() ? here->first : gone->second, crashed, tools_->Now());
  RunEffects();
}

std::string Farm::WorkerName(const std::string& worker_id) const {
  const auto it = workers_.find(worker_id);
  return it == workers_.end() || it->second.name.empty() ? worker_id : it->second.name;
}

std::vector<ResultKey> Farm::InHandOf(const std::string& worker) const {
  std::vector<ResultKey> keys;
  for (const auto& [id, info] : workers_) {
    if (!IsWorkerOf(WorkerName(id), worker)) continue;
    for (const ResultKey& key : scheduler_.LeasedTo(id)) keys.push_back(key);
  }
  return keys;
}

bool Farm::AnyWorker() const {
  const auto& all = scheduler_.workers().all();
  return std::any_of(all.begin(), all.end(), [](const auto& w) { return w.second.connected && w.second.slots > 0; });
}

std::map<std::string, uint32_t> Farm::Slots() const {
  std::map<std::string, uint32_t> slots;
  for (const auto& [number, w] : scheduler_.workers().all()) {
    if (w.connected && !w.draining && w.slots > 0) slots[HostOf(WorkerName(w.id))] += w.slots;
  }
  return slots;
}

sched::Backlog Farm::GetBacklog() const {
  return scheduler_.CountBacklog([this](sched::JobNumber number, uint32_t group) {
    const auto order = orders_.find(number);
    if (order == orders_.end() || group >= order->second.usual_seconds.size()) return 0.0;
    return order->second.usual_seconds[group];
  });
}

WorkersReply Farm::Workers() const {
  WorkersReply reply;
  const sched::Backlog backlog = GetBacklog();
  reply.set_ready_tasks(backlog.ready);
  reply.set_waiting_seconds(backlog.seconds);
  reply.set_wanted_slots(sched::WantedSlots(backlog));
  for (const auto& [number, w] : scheduler_.workers().all()) {
    WorkersReply::Worker* out = reply.add_worker();
    out->set_worker_id(w.id);
    out->set_name(WorkerName(w.id));
    out->set_slots(w.slots);
    out->set_running(static_cast<uint32_t>(w.running()));
    out->set_done(w.done);
    out->set_seconds_since_report(tools_->Now() - w.last_report);
    out->set_draining(w.draining);
  }
  return reply;
}

}  // namespace selvage
