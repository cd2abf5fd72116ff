#include "server/engine/locate.h"

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/engine/invalidations.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

constexpr size_t kMaps = 8;

absl::Status NotRendered(const FetchRequest& r) {
  return absl::FailedPreconditionError(
      absl::StrCat("frame ", r.frame(), " of \"", r.deliverable(), "\" is not rendered yet"));
}

absl::Status Gone(const FetchRequest& r) {
  return absl::FailedPreconditionError(
      absl::StrCat("frame ", r.frame(), " of \"", r.deliverable(),
                   "\" is no longer in the cache (evicted, or found damaged); submit the stack again to render it"));
}

absl::Status NoDeliverable(const FetchRequest& r) {
  return absl::NotFoundError(
      absl::StrCat("the job has no frame ", r.frame(), " of a deliverable \"", r.deliverable(), "\""));
}

}  // namespace

void Locator::Locate(const FetchRequest& request, Then<Located> then) {
  const Jobs::Record* job = jobs_->Find(request.job_id());
  if (job == nullptr) return then(absl::NotFoundError(absl::StrCat("there is no job \"", request.job_id(), "\"")));
  if (job->live && !job->live->over()) return LocateLive(request, *job, std::move(then));
  for (const Map& map : maps_) {
    if (map.job_id == request.job_id()) return LocateIn(map, request, *job, std::move(then));
  }
  with_.tools->pool->Post([this, request, then = std::move(then)] {
    auto map = Read(request, *with_.tools->cache.index);
    with_.tools->pool->PostSerial([this, request, then, map = std::move(map)]() mutable {
      if (!map.ok()) return then(map.status());
      const Jobs::Record* job = jobs_->Find(request.job_id());
      if (job == nullptr) return then(NoDeliverable(request));
      maps_.push_front(*std::move(map));
      if (maps_.size() > kMaps) maps_.pop_back();
      LocateIn(maps_.front(), request, *job, then);
    });
  });
}

OriginRequest Locator::OriginOfJob(const FetchRequest& request, const Jobs::Record& job,
                                   std::shared_ptr<const Stack> stack, const ResultKey& key) const {
  OriginRequest of;
  of.stack = std::move(stack);
  of.deliverable = request.deliverable();
  of.frame = request.frame();
  of.version = job.progress.version();
  of.key = key;
  of.epochs = with_.invalidations->Of(of.stack->name());
  return of;
}

void Locator::LocateLive(const FetchRequest& request, const Jobs::Record& job, Then<Located> then) {
  const auto planned = job.live->planned();
  if (!planned || job.live->planning()) return then(NotRendered(request));
  const std::vector<plan::Target>& targets = planned->round->targets;
  for (size_t i = 0; i < targets.size() && i < planned->plan->targets.size(); ++i) {
    if (targets[i].deliverable == request.deliverable() && targets[i].frame == request.frame()) {
      OriginRequest of = OriginOfJob(request, job, planned->round->stack, planned->plan->targets[i]);
      of.round = planned->round;
      return Find(request, std::move(of), false, std::move(then));
    }
  }
  then(NoDeliverable(request));
}

void Locator::LocateIn(const Map& map, const FetchRequest& request, const Jobs::Record& job, Then<Located> then) {
  const std::string& stack_name = job.progress.stack_name();
  // Promise 4: nothing from before an invalidation, even of an old job.
  if (with_.invalidations->Newest(stack_name) > map.epoch) {
    return then(absl::FailedPreconditionError(
        absl::StrCat("\"", stack_name, "\" was invalidated after this job was rendered; submit it again")));
  }
  const auto key = map.keys.find({request.deliverable(), request.frame()});
  if (key == map.keys.end()) return then(NoDeliverable(request));
  Find(request, OriginOfJob(request, job, map.stack, key->second), job.progress.state() == JOB_DONE, std::move(then));
}

absl::StatusOr<Locator::Map> Locator::Read(const FetchRequest& request, ResultIndex& index) {
  ASSIGN_OR_RETURN(const auto stack_text, index.FindValue(state::JobStackName(request.job_id())));
  ASSIGN_OR_RETURN(const auto targets_text, index.FindValue(state::JobTargetsName(request.job_id())));
  const auto known = state::ParseJobTargets(targets_text.value_or(""));
  const auto stack = std::make_shared<Stack>();
  if (!known || !stack_text || !stack->ParseFromString(*stack_text)) return NotRendered(request);
  Map map;
  map.stack = stack;
  map.job_id = request.job_id();
  map.epoch = known->epoch;
  const std::vector<plan::Target> targets = plan::DeliverableTargets(*stack);
  for (size_t i = 0; i < targets.size() && i < known->keys.size(); ++i) {
    map.keys[{targets[i].deliverable, targets[i].frame}] = known->keys[i];
  }
  return map;
}

void Locator::Find(const FetchRequest& request, OriginRequest of, bool was_there, Then<Located> then) {
  with_.tools->pool->Post([tools = with_.tools, request, of = std::move(of), was_there, then = std::move(then)] {
    const ResultKey& key = of.key;
    auto found = tools->cache.index->Find({&key, 1});
    if (!found.ok()) return then(found.status());
    if (!found->front()) return then(was_there ? Gone(request) : NotRendered(request));
    tools->cache.evictor->NoteUse({&key, 1});
    Located located{{key, std::move(found->front()->manifest)}, std::nullopt};
    // Costs a plan of the file: only for whoever asks.
    if (request.origin()) located.origin = OriginOf(of, *tools);
    then(std::move(located));
  });
}

}  // namespace selvage
