#include "server/engine/requests.h"

#include <malloc.h>

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"

namespace selvage {
namespace {

constexpr size_t kLargePlan = 50'000;

absl::Status GoingDown() { return absl::UnavailableError("the daemon is going down"); }

// The pass, or its one frame.
absl::StatusOr<std::vector<plan::Target>> TargetsOfWhy(const WhyRequest& request, const Stack& stack) {
  std::vector<plan::Target> targets = plan::PassTargets(stack, request.pass());
  if (targets.empty()) {
    return absl::NotFoundError(absl::StrCat("the stack has no pass \"", request.pass(), "\" that renders anything"));
  }
  if (request.has_frame()) {
    std::erase_if(targets, [&](const plan::Target& t) { return t.frame != request.frame(); });
  }
  if (!targets.empty()) return targets;
  return absl::InvalidArgumentError(absl::StrCat("pass \"", request.pass(), "\" has no frame ", request.frame()));
}

plan::Target TargetOfLook(const LookRequest& request) {
  plan::Target target;
  target.source = request.pass();
  target.frame = request.frame();
  Step& step = target.look.emplace();
  if (request.has_measure()) {
    *step.mutable_measure_matte() = request.measure();
  } else if (request.has_sample()) {
    *step.mutable_sample_color() = request.sample();
    step.mutable_sample_color()->mutable_box()->set_frame(request.frame());
  } else if (request.has_survey()) {
    *step.mutable_survey_plate() = request.survey();
  } else {
    *step.mutable_look_picture() = request.look();
  }
  return target;
}

absl::StatusOr<std::vector<plan::Target>> CheckLook(const plan::Target& target, const Stack& s) {
  const auto named = [&](const auto& list) {
    return std::any_of(list.begin(), list.end(), [&](const auto& x) { return x.name() == target.source; });
  };
  if (!named(s.pass()) && !named(s.plate()) && !named(s.mask())) {
    return absl::NotFoundError(absl::StrCat("the stack has no pass, plate or mask \"", target.source, "\""));
  }
  if (target.frame >= s.frames().first() && target.frame <= s.frames().last()) {
    return std::vector<plan::Target>{target};
  }
  return absl::InvalidArgumentError(absl::StrCat("frame ", target.frame, " is outside the stack's frames ",
                                                 s.frames().first(), "-", s.frames().last()));
}

// All deliverables.
const ChooseTargets kAll;

}  // namespace

template <class Reply>
Requests::Handle Requests::Make(Purpose purpose, const Stack& stack, ChooseTargets choose, Then<Reply> then,
                                std::function<Reply(const Ending&)> reply) {
  return std::make_shared<Request>(with_, purpose, std::make_shared<Stack>(stack), std::move(choose),
                                   [then = std::move(then), reply = std::move(reply)](const Ending& ending) {
                                     if (!ending.why.ok()) return then(ending.why);
                                     then(reply(ending));
                                   });
}

Requests::Handle Requests::MakePlan(const PlanRequest& request, Then<PlanReply> then) {
  return Make<PlanReply>(kPlanOnly, request.stack(), kAll, std::move(then), [](const Ending& ending) {
    PlanReply reply;
    *reply.mutable_error() = ending.progress.error();
    if (!ending.planned) return reply;
    reply.mutable_pass()->Add(ending.planned->reasons.begin(), ending.planned->reasons.end());
    *reply.mutable_estimate() = ending.estimate;
    return reply;
  });
}

Requests::Handle Requests::MakeWhy(const WhyRequest& request, Then<WhyReply> then) {
  WhyRequest what = request;
  what.clear_stack();
  const auto choose = [what](const Stack& stack) { return TargetsOfWhy(what, stack); };
  return Make<WhyReply>(kExplanation, request.stack(), choose, std::move(then), [](const Ending& ending) {
    WhyReply reply;
    *reply.mutable_error() = ending.progress.error();
    if (ending.planned) reply.mutable_reason()->Add(ending.planned->why.begin(), ending.planned->why.end());
    return reply;
  });
}

Requests::Handle Requests::MakeLook(const LookRequest& request, Then<LookResult> then) {
  const auto choose = [target = TargetOfLook(request)](const Stack& stack) { return CheckLook(target, stack); };
  Purpose purpose = kLook;
  const LookPicture& look = request.look();
  // A part of the picture is looked at for its pixels.
  if (request.may_reduce() && request.has_look() && look.crop().width() == 0) purpose.shown_side = look.longest_side();
  return std::make_shared<Request>(with_, purpose, std::make_shared<Stack>(request.stack()), choose,
                                   [this, then = std::move(then)](const Ending& ending) { AnswerLook(ending, then); });
}

void Requests::AnswerLook(const Ending& ending, const Then<LookResult>& then) {
  const JobProgress& p = ending.progress;
  if (!ending.why.ok()) return then(ending.why);
  LookResult result;
  result.errors.assign(p.error().begin(), p.error().end());
  result.warnings.assign(p.warning().begin(), p.warning().end());
  if (!result.errors.empty()) return then(std::move(result));
  if (p.state() != JOB_DONE || ending.planned == nullptr || ending.planned->plan->targets.empty()) {
    return then(absl::AbortedError(p.problem().empty() ? "the picture could not be rendered" : p.problem(0)));
  }
  result.proxy = ending.planned->plan->proxy;
  with_.tools->pool->Post([tools = with_.tools, key = ending.planned->plan->targets.front(), then, result]() mutable {
    auto found = tools->cache.index->Find({&key, 1});
    if (!found.ok()) return then(found.status());
    if (!found->front()) return then(absl::UnavailableError("the picture is gone from the cache; try again"));
    result.blob = {key, std::move(found->front()->manifest)};
    then(std::move(result));
  });
}

void Requests::Begin(const Handle& request) {
  if (request->over()) return;
  live_.insert(request);
  if (with_.tools->stopping) return request->End(JOB_FAILED, GoingDown());
  const auto waiting = std::count_if(live_.begin(), live_.end(),
                                     [](const Handle& r) { return r->purpose().interactive && r->planning(); });
  if (static_cast<size_t>(waiting) >= with_.tools->options.waiting_plans) {
    request->End(JOB_FAILED, absl::ResourceExhaustedError(
                                 absl::StrCat(waiting, " plans and looks are waiting already; try again in a while")));
    return Ended(request);
  }
  request->Start();
}

void Requests::Abandon(const Handle& request) {
  request->GiveUp();
  with_.tools->pool->PostSerial([this, request] {
    if (!request->over()) request->End(JOB_CANCELLED, absl::CancelledError("the client went away"));
    Ended(request);
  });
}

void Requests::Check(std::shared_ptr<const Stack> stack, GivenUp given_up, Checked then) {
  if (with_.tools->stopping) return then(GoingDown());
  if (checking_ >= with_.tools->options.waiting_plans) {
    return then(absl::ResourceExhaustedError(
        absl::StrCat(checking_, " stacks are being checked already; try again in a while")));
  }
  ++checking_;
  Tools* tools = with_.tools;
  tools->planning.Post([this, tools, stack = std::move(stack), given_up = std::move(given_up), then = std::move(then)] {
    auto found = FindFiles(
        stack, kAll, tools->roots, {}, *tools->cache.index, [&] { return tools->stopping || given_up(); },
        tools->options.limits);
    tools->pool->PostSerial([this, found = std::move(found), then] {
      --checking_;
      then(found);
    });
  });
}

Requests::Handle Requests::Submit(std::shared_ptr<const Stack> stack, Request::Done done) {
  auto request = std::make_shared<Request>(with_, kSubmission, std::move(stack), kAll, std::move(done));
  live_.insert(request);
  return request;
}

void Requests::Ended(const Handle& request) {
  if (live_.erase(request) == 0 || request->planned() == nullptr) return;
  large_ |= request->planned()->plan->tasks.size() > kLargePlan;
}

void Requests::Heed(const InvalidateRequest& what) {
  const auto live = live_;
  for (const Handle& r : live) {
    if (!what.worker().empty() || r->stack()->name() == what.stack_name()) r->Replan();
  }
  with_.farm->RunEffects();
}

bool Requests::Renders(const std::string& stack_name) const {
  return std::any_of(live_.begin(), live_.end(), [&](const Handle& r) { return r->stack()->name() == stack_name; });
}

bool Requests::HasJobOf(const std::string& stack_name) const {
  return std::any_of(live_.begin(), live_.end(), [&](const Handle& r) {
    return r->purpose().submits && !r->over() && r->stack()->name() == stack_name;
  });
}

std::set<std::string> Requests::LiveStacks() const {
  std::set<std::string> stacks;
  for (const Handle& r : live_) {
    stacks.insert(r->stack()->name());
    if (r->planned() != nullptr) stacks.insert(r->planned()->plan->stack_name);
  }
  return stacks;
}

void Requests::Tick() {
  const double now = with_.tools->Now();
  if (with_.farm->AnyWorker()) last_worker_seen_ = now;
  const auto live = live_;
  for (const Handle& r : live) {
    // Plates that nobody can read.
    const bool patient = now - std::max(last_worker_seen_, r->started()) < with_.tools->options.patience_seconds;
    if (r->purpose().interactive && !r->over() && !patient) {
      r->End(JOB_FAILED, absl::UnavailableError("no worker is connected; start `selvage-worker`, or the daemon with "
                                                "--local-workers"));
    }
    if (r->over()) Ended(r);
  }
  // Plans of a hundred thousand tasks are many small pieces, which the allocator
  // would keep.
  if (std::exchange(large_, false)) with_.tools->pool->Post([] { ::malloc_trim(0); });
}

void Requests::Stop() {
  const auto live = live_;
  for (const Handle& r : live) {
    r->GiveUp();
    // Jobs go on after the next start.
    if (!r->purpose().submits) r->End(JOB_FAILED, GoingDown());
  }
}

}  // namespace selvage
