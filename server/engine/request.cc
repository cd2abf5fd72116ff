#include "server/engine/request.h"

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "server/engine/keep_table.h"
#include "server/engine/known_stacks.h"
#include "server/engine/names.h"
#include "server/engine/unfetched.h"
#include "server/plan/names.h"
#include "server/plan/proxy.h"

namespace selvage {
namespace {

// Plates that keep changing under a job: give up.
constexpr int kMaxChanges = 5;
constexpr size_t kNamesAtOnce = 1024;

Workload WorkloadOf(const Planned& planned, const Tools& tools) {
  std::vector<uint8_t> renders, stored;
  for (size_t i = 0; i < planned.storing.size(); ++i) {
    renders.push_back(planned.probed.state[i] == plan::Probed::kRender);
    stored.push_back(planned.storing[i] != Storing::kHandedOn);
  }
  return tools.measured.Of(*planned.plan, renders, stored);
}

// The smallest at which a picture still has as many pixels as are shown.
uint32_t SizeForLook(const Format& format, uint32_t shown_side) {
  const uint64_t longest = std::max(format.width(), format.height());
  for (const uint32_t proxy : {8u, 4u, 2u}) {
    if (uint64_t{shown_side} * proxy <= longest) return proxy;
  }
  return 1;
}

bool RendersHeavySteps(const Planned& planned) {
  const std::vector<plan::PlannedTask>& tasks = planned.plan->tasks;
  for (size_t i = 0; i < tasks.size(); ++i) {
    // The look itself takes the whole picture, whatever its size.
    if (planned.probed.state[i] != plan::Probed::kRender || tasks[i].pass == "look") continue;
    const auto steps = tasks[i].steps.Get();
    if (std::any_of(steps->begin(), steps->end(), [](const Step& step) { return OperatorOf(step)->heavy(); })) {
      return true;
    }
  }
  return false;
}

}  // namespace

Request::Request(const RequestTools& with, Purpose purpose, std::shared_ptr<const Stack> stack, ChooseTargets choose,
                 Done done)
    : with_(with),
      planners_(purpose.renders && !purpose.submits ? &with.tools->looking : &with.tools->planning),
      purpose_(purpose),
      stack_(std::move(stack)),
      choose_(std::move(choose)),
      done_(std::move(done)),
      started_(with.tools->Now()) {}

void Request::SetIdentity(const JobProgress& of) {
  progress_.identity.set_job_id(of.job_id());
  progress_.identity.set_owner(of.owner());
  progress_.identity.set_submitted_unix_ms(of.submitted_unix_ms());
  progress_.identity.set_version(of.version());
  progress_.identity.set_note(of.note());
}

void Request::Start(std::shared_ptr<const Round> round, double not_before) {
  not_before_ = not_before;
  planning_ = true;
  if (round != nullptr) return OnFound(std::move(round));
  Find();
}

void Request::Replan() {
  if (over_ || planned_ == nullptr) return;
  planning_ = true;
  with_.farm->Remove(&inspection_);
  Find();
}

// --- 1. Which files are needed, and what is known of them? On a planning thread.

void Request::Find() {
  const int number = ++round_number_;
  Facts known = round_ ? round_->facts : Facts();
  for (const auto& [path, facts] : inspected_) known[path] = facts;
  planners_->Post([self = shared_from_this(), number, known = std::move(known)] {
    const Tools& tools = *self->with_.tools;
    auto found = FindFiles(
        self->stack_, self->choose_, tools.roots, known, *tools.cache.index, [&] { return self->given_up_.load(); },
        tools.options.limits);
    tools.pool->PostSerial([self, number, found = std::move(found)]() mutable {
      if (!self->over_ && self->round_number_ == number) self->OnFound(std::move(found));
    });
  });
}

void Request::OnFound(absl::StatusOr<std::shared_ptr<const Round>> found) {
  if (!found.ok()) return End(JOB_FAILED, found.status());
  round_ = *std::move(found);
  progress_.AddErrors(round_->errors);
  if (progress_.has_errors()) return End(JOB_FAILED);
  if (round_->uninspected.empty()) return Plan();
  Inspect();
}

// --- 2. Files that nobody has read yet: one task each, in a job of their own.

void Request::Inspect() {
  auto files = std::make_shared<std::vector<Uninspected>>();
  SchedulerJob job = ToSchedulerJob(*round_, files.get());
  job.job.interactive = purpose_.interactive;
  job.job.not_before = not_before_;
  progress_.BeginInspection(std::move(job.lines));
  inspecting_ = files;
  Order order;
  order.customer = shared_from_this();
  order.round = round_;
  order.files = files;
  order.job_id = progress_.identity.job_id();
  inspection_ = with_.farm->Place(std::move(order), std::move(job.job));
  with_.farm->RunEffects();
}

void Request::OnInspected() {
  const sched::Job* job = with_.farm->scheduler().FindJob(inspection_);
  const bool failed = job == nullptr || job->failed > 0;
  progress_.EndInspection(job);
  with_.farm->Remove(&inspection_);
  if (failed) {
    progress_.SortErrors();
    return End(JOB_FAILED,
               progress_.has_errors() ? absl::OkStatus() : absl::InternalError("a plate could not be inspected"));
  }
  // The facts say what the files were like when they were read, so nothing is
  // looked at twice; what changes after that, whoever reads it notices.
  const bool complete = std::all_of(round_->uninspected.begin(), round_->uninspected.end(),
                                    [&](const Uninspected& u) { return inspected_.contains(u.file.path); });
  if (!complete) {
    if (++changes_ <= kMaxChanges) return Find();
    return End(JOB_FAILED, absl::FailedPreconditionError("the plates keep changing while they are read"));
  }
  ++round_number_;
  round_ = WithFacts(*round_, inspected_);
  Plan();
}

// --- 3. What must be rendered? On a planning thread.

void Request::Plan() {
  const int number = ++round_number_;
  planners_->Post(
      [self = shared_from_this(), number, round = round_, epochs = with_.invalidations->Of(stack_->name())] {
        auto made = std::make_shared<Made>(self->MakePlanNow(round, epochs));
        self->with_.tools->pool->PostSerial([self, number, made] {
          if (!self->over_ && self->round_number_ == number) return self->OnPlanned(std::move(*made));
          if (made->planned.ok()) self->UnpinPlan((*made->planned)->pins);
        });
      });
}

Request::Made Request::MakePlanNow(const std::shared_ptr<const Round>& round, const Epochs::Snapshot& epochs) {
  const Tools& tools = *with_.tools;
  if (tools.options.before_planning) tools.options.before_planning();
  Made made;
  made.planned = PlanOf(round, epochs);
  if (purpose_.shown_side > 0 && made.planned.ok()) made.planned = PlanAtSmallerSize(*made.planned, epochs);
  if (!made.planned.ok() || !(*made.planned)->plan->errors.empty()) return made;
  if (purpose_.submits || purpose_.explain == Explain::kPasses) made.workload = WorkloadOf(**made.planned, tools);
  if (!purpose_.renders) return made;
  made.job = ToSchedulerJob(**made.planned);
  if (!purpose_.submits) return made;
  NameHits(**made.planned);
  with_.keeps->Set(*(*made.planned)->plan, [this](IndexBatch batch) { with_.commits->AddSometime(std::move(batch)); });
  return made;
}

absl::StatusOr<std::shared_ptr<const Planned>> Request::PlanOf(const std::shared_ptr<const Round>& round,
                                                               const Epochs::Snapshot& epochs) {
  const Tools& tools = *with_.tools;
  return MakePlan(round, epochs, purpose_.explain, tools.UnixNow(), *tools.cache.index, *tools.cache.evictor,
                  [&] { return given_up_.load(); }, tools.options.limits,
                  {tools.options.storing, &tools.working_edge, purpose_.renders});
}

// A small look of what is not there yet: from fewer pixels, if that saves a heavy step. Where
// the full ones are there, or nearly so, they are better. Gives the one of the two plans that
// is rendered.
absl::StatusOr<std::shared_ptr<const Planned>> Request::PlanAtSmallerSize(const std::shared_ptr<const Planned>& full,
                                                                          const Epochs::Snapshot& epochs) {
  const uint32_t proxy = SizeForLook(full->plan->format, purpose_.shown_side);
  if (!full->plan->errors.empty() || full->plan->proxy > 1 || proxy == 1 || !RendersHeavySteps(*full)) return full;
  auto stack = std::make_shared<Stack>(*stack_);
  stack->set_proxy(proxy);
  auto round = std::make_shared<Round>(*full->round);
  round->stack = std::move(stack);
  auto reduced = PlanOf(std::move(round), epochs);
  // Of a size at which it cannot be rendered nothing is told: it was not asked for.
  if (reduced.ok() && !(*reduced)->plan->errors.empty()) return full;
  UnpinPlan(full->pins);
  return reduced;
}

// Hits are named before they are shown as such; a crash in between loses only the
// reason that the next `plan` gives.
void Request::NameHits(const Planned& planned) {
  for (size_t at = 0; at < planned.renamed.size(); at += kNamesAtOnce) {
    IndexBatch batch;
    for (size_t i = at; i < std::min(at + kNamesAtOnce, planned.renamed.size()); ++i) {
      AddName(*planned.plan, planned.plan->tasks[planned.renamed[i]], &batch);
    }
    with_.commits->AddSometime(std::move(batch));
  }
}

void Request::OnPlanned(Made made) {
  if (!made.planned.ok()) return End(JOB_FAILED, made.planned.status());
  const std::shared_ptr<const Planned> planned = *made.planned;
  // Invalidated while it was planned: the plan is of yesterday.
  if (with_.invalidations->Newest(stack_->name()) != planned->epoch) {
    UnpinPlan(planned->pins);
    return Plan();
  }
  progress_.AddErrors(planned->plan->errors);
  if (progress_.has_errors()) return End(JOB_FAILED);
  // What was said of the first plan is what the job is measured by.
  if (!render_started_) {
    estimate_ = EstimateOf(made.workload, with_.farm->Slots());
    render_started_ = with_.tools->Now();
  }
  progress_.Expect(made.workload);
  if (purpose_.renders) return Render(planned, std::move(made.job));
  UnpinPlan(planned->pins);
  planned_ = planned;
  End(JOB_DONE);
}

// --- 4. The farm renders it.

void Request::Render(std::shared_ptr<const Planned> planned, SchedulerJob job) {
  with_.farm->CountProbed(planned->hits, planned->misses);
  Order order;
  order.usual_seconds = progress_.UsualSeconds(job.lines);
  progress_.BeginRendering(std::move(job.lines));
  progress_.warnings().Add(planned->plan->warnings);
  for (size_t i = 0; i < planned->probed.record.size(); ++i) {
    const auto& record = planned->probed.record[i];
    if (!record || record->warnings.empty()) continue;
    progress_.warnings().Add(AsNamedBy(planned->plan->tasks[i], record->warnings));
  }
  job.job.interactive = purpose_.interactive;
  job.job.not_before = not_before_;
  order.customer = shared_from_this();
  order.round = planned->round;
  order.plan = planned->plan;
  order.planned = planned;
  order.look = !purpose_.submits;
  order.job_id = progress_.identity.job_id();
  // The new plan first, so that what both have goes on.
  sched::JobNumber old = std::exchange(rendering_, 0);
  const std::shared_ptr<PlanPins> old_pins = std::exchange(pins_, planned->pins);
  planned_ = std::move(planned);
  planning_ = false;
  if (!purpose_.submits) {
    IndexBatch batch;
    with_.stacks->Use(planned_->plan->stack_name, &batch);
    if (!batch.values.empty()) with_.commits->AddSometime(std::move(batch));
  }
  rendering_ = with_.farm->Place(std::move(order), std::move(job.job));
  with_.farm->Remove(&old);
  UnpinPlan(old_pins);
  Expected();
  with_.farm->RunEffects();
}

void Request::OnRendered() {
  if (planning_) return;  // the new plan decides
  const sched::Job* job = with_.farm->scheduler().FindJob(rendering_);
  if (job != nullptr) End(job->failed > 0 ? JOB_FAILED : JOB_DONE);
}

// --- What the farm says meanwhile.

void Request::OnAllDone(sched::JobNumber job) {
  if (job == inspection_) return OnInspected();
  if (job == rendering_) OnRendered();
}

void Request::OnResult(sched::JobNumber job, uint32_t task, const ResultNews& news) {
  progress_.warnings().Add(news.warnings);
  if (job != rendering_) return;
  const sched::Job* known = with_.farm->scheduler().FindJob(job);
  if (known != nullptr && known->tasks[task].needed) {
    progress_.AddTiles(known->tasks[task].group, news.tiles_rendered, news.tiles_reused);
  }
  // Its inputs may be evicted once nobody reads them.
  if (pins_) Unpin(pins_->Done(task));
}

void Request::OnTrouble(sched::JobNumber job, uint32_t task, const std::string& message, bool for_good) {
  if (job == inspection_ && inspecting_ && task < inspecting_->size()) {
    const plan::PlateFile& file = (*inspecting_)[task].file;
    StackError error;
    error.set_path(absl::StrCat("plate[", file.plate, "].files"));
    error.set_message(
        absl::StrCat("plate \"", stack_->plate(file.plate).name(), "\" frame ", file.frame, ": ", message));
    if (for_good) return progress_.AddError(error);
    return progress_.AddProblem(error.message());
  }
  if (job != rendering_ || planned_ == nullptr || task >= planned_->plan->tasks.size()) return;
  const plan::PlannedTask& t = planned_->plan->tasks[task];
  progress_.AddProblem(absl::StrCat(plan::PassInWords(t.pass), " frame ", t.frame, ": ", message,
                                    for_good ? "" : " (will be tried again)"));
}

void Request::OnPlateChanged(const std::string& path, const std::string& message) {
  if (over_ || planning_) return;
  inspected_.erase(path);
  if (++changes_ > kMaxChanges) {
    progress_.AddProblem(absl::StrCat(path, " keeps changing: ", message));
    return End(JOB_FAILED, absl::FailedPreconditionError(message));
  }
  auto without = std::make_shared<Round>(*round_);
  without->facts.erase(path);
  round_ = std::move(without);
  Replan();
}

// --- 5. The end.

JobProgress Request::Progress() const {
  JobProgress p = progress_.identity;
  p.set_stack_name(stack_->name());
  if (plan::ProxyOf(*stack_) > 1) p.set_proxy(plan::ProxyOf(*stack_));
  p.set_state(planned_ ? JOB_RUNNING : JOB_INSPECTING);
  p.set_seconds(with_.tools->Now() - started_);
  if (render_started_ && purpose_.submits) {
    *p.mutable_estimate() = estimate_;
    p.set_render_seconds(with_.tools->Now() - *render_started_);
  }
  const sched::Scheduler& scheduler = with_.farm->scheduler();
  progress_.AddTo(scheduler.FindJob(inspection_), scheduler.FindJob(rendering_), scheduler.workers(), &p);
  return p;
}

void Request::End(JobState state, const absl::Status& why) {
  if (over_) return;
  if (!why.ok() && purpose_.submits && progress_.problems().empty()) progress_.AddProblem(std::string(why.message()));
  Ending ending;
  ending.progress = Progress();
  ending.progress.set_state(state);
  ending.progress.set_seconds_left(0);
  ending.progress.set_ended_unix_ms(with_.tools->UnixNow());
  ending.why = why;
  ending.planned = planned_;
  ending.estimate = estimate_;
  const Done done = std::exchange(done_, nullptr);
  if (state == JOB_DONE && purpose_.submits && pins_) {
    with_.tools->pool->Post([unfetched = with_.unfetched, name = planned_->plan->stack_name,
                             targets = pins_->AllTargets()] { unfetched->Hold(name, targets); });
  }
  Leave();
  if (done) done(ending);
  with_.farm->RunEffects();
}

void Request::Leave() {
  over_ = true;
  given_up_ = true;
  done_ = nullptr;
  with_.farm->Remove(&inspection_);
  with_.farm->Remove(&rendering_);
  UnpinPlan(std::exchange(pins_, nullptr));
  Expected();
}

// From before a restart: it is planned now, or will not be.
void Request::Expected() {
  if (std::exchange(not_before_, 0) > 0) with_.farm->Expect(-1);
}

// The evictor may hold its lock over a synced write.
void Request::Unpin(std::vector<ResultKey> keys) {
  if (keys.empty()) return;
  Tools* tools = with_.tools;
  tools->pool->Post([tools, keys = std::move(keys)] { tools->cache.evictor->Unpin(keys); });
}

void Request::UnpinPlan(const std::shared_ptr<PlanPins>& pins) {
  if (pins) Unpin(pins->Rest());
}

}  // namespace selvage
