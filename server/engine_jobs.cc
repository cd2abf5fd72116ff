// What clients do with jobs.
#include <algorithm>
#include <random>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/engine.h"

namespace selvage {

namespace {

constexpr size_t kMaxRequestId = 64;
constexpr uint32_t kDefaultListed = 100;

// Short enough to type. The same request gives the same job, across restarts too.
std::string JobIdOf(const std::string& request_id) {
  if (!request_id.empty()) return Sha256("selvage job\n" + request_id).Hex().substr(0, 10);
  std::random_device random;
  return Sha256(absl::StrCat(random(), random(), random(), random())).Hex().substr(0, 10);
}

absl::Status NoSuchJob(const std::string& id) {
  return absl::NotFoundError(absl::StrCat("there is no job \"", id, "\"; see `selvage jobs`"));
}

void NoThen(absl::StatusOr<LookResult>) {}

}  // namespace

void Engine::Check(const CheckRequest& request, Then<CheckReply> then) {
  pool_->Post([this, stack = request.stack(), then = std::move(then)] {
    auto found = FindFiles(stack, {}, roots_, {}, *cache_.index);
    if (!found.ok()) return then(found.status());
    CheckReply reply;
    for (const StackError& e : found->errors) *reply.add_error() = e;
    then(std::move(reply));
  });
}

void Engine::Submit(const SubmitRequest& request, Then<SubmitReply> then) {
  if (request.request_id().size() > kMaxRequestId) {
    return then(absl::InvalidArgumentError(absl::StrCat("request_id has more than ", kMaxRequestId, " bytes")));
  }
  const std::string id = JobIdOf(request.request_id());
  auto stack = std::make_shared<Stack>(request.stack());
  pool_->PostSerial([this, id, stack, then = std::move(then)]() mutable {
    if (stopping_) return then(absl::UnavailableError("the daemon is going down"));
    if (jobs_.count(id)) {
      SubmitReply reply;
      reply.set_job_id(id);
      return then(std::move(reply));
    }
    auto& waiting = submitting_[id];
    waiting.push_back(std::move(then));
    if (waiting.size() > 1) return;
    pool_->Post([this, id, stack] {
      auto found = FindFiles(*stack, {}, roots_, {}, *cache_.index);
      if (!found.ok() || !found->errors.empty()) {
        absl::StatusOr<SubmitReply> refusal = SubmitReply();
        if (!found.ok()) refusal = found.status();
        for (size_t i = 0; found.ok() && i < found->errors.size(); ++i) *refusal->add_error() = found->errors[i];
        pool_->PostSerial([this, id, refusal] { AnswerSubmit(id, refusal); });
        return;
      }
      JobProgress progress;
      progress.set_job_id(id);
      progress.set_stack_name(stack->name());
      progress.set_state(JOB_INSPECTING);
      IndexBatch batch;
      batch.journal.push_back({JournalType::kJobSubmitted, id});
      batch.values.push_back({"job/" + id, progress.SerializeAsString()});
      batch.values.push_back({"job-stack/" + id, stack->SerializeAsString()});
      Commit(std::move(batch), [this, id, stack, progress](const absl::StatusOr<uint64_t>& done) {
        if (!done.ok()) return AnswerSubmit(id, done.status());
        auto e = std::make_shared<Errand>();
        e->id = id;
        e->stack = stack;
        e->started = Now();
        jobs_[id] = Record{progress, next_order_++, e};
        if (!stopping_) Begin(e);
        SubmitReply reply;
        reply.set_job_id(id);
        AnswerSubmit(id, reply);
      });
    });
  });
}

void Engine::AnswerSubmit(const std::string& id, const absl::StatusOr<SubmitReply>& reply) {
  const auto waiting = std::exchange(submitting_[id], {});
  submitting_.erase(id);
  for (const auto& then : waiting) then(reply);
}

Engine::Handle Engine::MakePlanFor(const PlanRequest& request, Then<PlanReply> then) {
  auto e = std::make_shared<Errand>();
  e->kind = Errand::kPlan;
  e->stack = std::make_shared<Stack>(request.stack());
  e->plan_done = std::move(then);
  e->started = Now();
  pool_->PostSerial([this, e] {
    if (stopping_) return End(e, JOB_FAILED, absl::UnavailableError("the daemon is going down"));
    Begin(e);
  });
  return e;
}

Engine::Handle Engine::Why(const WhyRequest& request, Then<WhyReply> then) {
  auto e = std::make_shared<Errand>();
  e->kind = Errand::kWhy;
  e->stack = std::make_shared<Stack>(request.stack());
  e->why_done = std::move(then);
  e->started = Now();
  pool_->Post([this, e, request] {
    absl::Status bad = absl::OkStatus();
    e->errors = plan::Validate(*e->stack);
    if (e->errors.empty()) {
      e->targets = plan::PassTargets(*e->stack, request.pass());
      if (e->targets.empty()) {
        bad = absl::NotFoundError(absl::StrCat("the stack has no pass \"", request.pass(), "\" that renders anything"));
      } else if (request.has_frame()) {
        std::erase_if(e->targets, [&](const plan::Target& t) { return t.frame != request.frame(); });
        if (e->targets.empty()) {
          bad =
              absl::InvalidArgumentError(absl::StrCat("pass \"", request.pass(), "\" has no frame ", request.frame()));
        }
      }
    }
    pool_->PostSerial([this, e, bad] {
      if (e->over) return;
      if (stopping_) return End(e, JOB_FAILED, absl::UnavailableError("the daemon is going down"));
      if (!bad.ok() || !e->errors.empty()) return End(e, JOB_FAILED, bad);
      Begin(e);
    });
  });
  return e;
}

Engine::Handle Engine::Look(const LookRequest& request, Then<LookResult> then) {
  auto e = std::make_shared<Errand>();
  e->kind = Errand::kLook;
  e->stack = std::make_shared<Stack>(request.stack());
  e->look_done = std::move(then);
  e->started = Now();
  plan::Target target;
  target.source = request.pass();
  Step& step = target.look.emplace();
  if (request.has_measure()) {
    *step.mutable_measure_matte() = request.measure();
  } else if (request.has_survey()) {
    *step.mutable_survey_plate() = request.survey();
  } else {
    *step.mutable_look_picture() = request.look();
  }
  target.frame = request.frame();
  e->targets.push_back(std::move(target));
  pool_->PostSerial([this, e] {
    if (stopping_) return End(e, JOB_FAILED, absl::UnavailableError("the daemon is going down"));
    const Stack& s = *e->stack;
    const std::string& name = e->targets[0].source;
    const auto named = [&](const auto& list) {
      return std::any_of(list.begin(), list.end(), [&](const auto& x) { return x.name() == name; });
    };
    if (!named(s.pass()) && !named(s.plate()) && !named(s.mask())) {
      return End(e, JOB_FAILED,
                 absl::NotFoundError(absl::StrCat("the stack has no pass, plate or mask \"", name, "\"")));
    }
    const int32_t frame = e->targets[0].frame;
    if (frame < s.frames().first() || frame > s.frames().last()) {
      return End(e, JOB_FAILED,
                 absl::InvalidArgumentError(absl::StrCat("frame ", frame, " is outside the stack's frames ",
                                                         s.frames().first(), "-", s.frames().last())));
    }
    Begin(e);
  });
  return e;
}

void Engine::Abandon(const Handle& e) {
  pool_->PostSerial([this, e] {
    if (e->over) return;
    e->plan_done = nullptr;
    e->why_done = nullptr;
    e->look_done = NoThen;
    End(e, JOB_CANCELLED, absl::CancelledError("the client went away"));
  });
}

void Engine::Watch(const std::string& job_id, Show show, Then<uint64_t> then) {
  pool_->PostSerial([this, job_id, show = std::move(show), then = std::move(then)] {
    if (stopping_) return then(absl::UnavailableError("the daemon is going down"));
    if (!jobs_.count(job_id)) return then(NoSuchJob(job_id));
    const uint64_t number = next_watcher_++;
    watchers_[number] = Watcher{job_id, show};
    then(number);
    ShowProgress();
  });
}

void Engine::Unwatch(uint64_t watcher) {
  pool_->PostSerial([this, watcher] { watchers_.erase(watcher); });
}

void Engine::ListJobs(uint32_t limit, Then<ListJobsReply> then) {
  pool_->PostSerial([this, limit = limit == 0 ? kDefaultListed : limit, then = std::move(then)] {
    std::vector<std::pair<uint64_t, const Record*>> newest;
    for (const auto& [id, record] : jobs_) newest.push_back({record.order, &record});
    std::sort(newest.rbegin(), newest.rend());
    if (newest.size() > limit) newest.resize(limit);
    ListJobsReply reply;
    for (const auto& [order, record] : newest) {
      JobProgress p = record->live && !record->live->over ? ProgressOf(*record->live) : record->progress;
      p.clear_pass();
      *reply.add_job() = std::move(p);
    }
    then(std::move(reply));
  });
}

void Engine::GetJob(const std::string& job_id, Then<GetJobReply> then) {
  pool_->PostSerial([this, job_id, then = std::move(then)] {
    auto it = jobs_.find(job_id);
    if (it == jobs_.end()) return then(NoSuchJob(job_id));
    GetJobReply reply;
    const auto& live = it->second.live;
    *reply.mutable_progress() = live && !live->over ? ProgressOf(*live) : it->second.progress;
    if (live) {
      *reply.mutable_stack() = *live->stack;
      return then(std::move(reply));
    }
    pool_->Post([this, job_id, then, reply]() mutable {
      auto text = cache_.index->FindValue("job-stack/" + job_id);
      if (!text.ok()) return then(text.status());
      if (!*text || !reply.mutable_stack()->ParseFromString(**text)) return then(NoSuchJob(job_id));
      then(std::move(reply));
    });
  });
}

void Engine::Cancel(const std::string& job_id, Then<CancelReply> then) {
  pool_->PostSerial([this, job_id, then = std::move(then)] {
    auto it = jobs_.find(job_id);
    if (it == jobs_.end()) return then(NoSuchJob(job_id));
    const std::shared_ptr<Errand> e = it->second.live;
    CancelReply reply;
    if (!e || e->over) {
      reply.set_state(it->second.progress.state());
      return then(std::move(reply));
    }
    // Stops at once; acknowledged when it is written down. Should that fail,
    // the job comes back with the next start of the daemon, so say so.
    JobProgress progress = ProgressOf(*e);
    progress.set_state(JOB_CANCELLED);
    progress.set_seconds_left(0);
    Leave(e);
    e->state = JOB_CANCELLED;
    it->second.progress = progress;
    RunEffects();
    Persist(e, JournalType::kJobCancelled, [this, e, then](absl::Status s) {
      auto job = jobs_.find(e->id);
      if (job != jobs_.end()) job->second.live = nullptr;
      ShowProgress();
      if (!s.ok()) return then(s);
      CancelReply reply;
      reply.set_state(JOB_CANCELLED);
      then(std::move(reply));
    });
  });
}

}  // namespace selvage
