#include "client/loom/daemon_calls.h"

#include <algorithm>
#include <cstdint>

#include "absl/strings/str_cat.h"
#include "client/loom/look_request.h"
#include "client/loom/requests.h"
#include "client/owner.h"
#include "client/submitting.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

absl::StatusOr<InvalidateRequest> ToInvalidate(const JsonMembers& members, const Stack& stack) {
  InvalidateRequest request;
  request.set_stack_name(stack.name());
  ASSIGN_OR_RETURN(std::string pass, NeededText(members, "pass"));
  for (const Mask& mask : stack.mask()) {
    // Known to the daemon by this name: only a mask that follows is rendered on its own.
    if (mask.has_follow() && mask.name() == pass) pass = absl::StrCat("mask ", pass);
  }
  request.set_pass(pass);
  ASSIGN_OR_RETURN(const auto first, FrameMember(members, "first"));
  ASSIGN_OR_RETURN(const auto last, FrameMember(members, "last"));
  ASSIGN_OR_RETURN(const bool dependents, BoolMember(members, "dependents"));
  if (first || last) {
    request.mutable_frames()->set_first(first.value_or(stack.frames().first()));
    request.mutable_frames()->set_last(last.value_or(stack.frames().last()));
  }
  request.set_with_dependents(dependents);
  request.set_by(UserName());
  return request;
}

// A supervisor's view of a job changes nothing of the farm's. False when that has been answered.
bool MayRender(const Document& document, const Exchange& exchange) {
  if (!document.of_job()) return true;
  exchange->Answer(
      ErrorAnswer(423, "this loom only shows a job: open the stack itself to submit it or to render it again"));
  return false;
}

}  // namespace

void DaemonCalls::Cached(const Exchange& exchange) {
  const Stack* stack = NeedStack(*document_, exchange);
  if (stack == nullptr) return;
  WhyRequest request;
  *request.mutable_stack() = *stack;
  request.set_pass(exchange->request().Parameter("pass"));
  daemon_->Ask<WhyRequest, WhyReply>(exchange, &JobService::Stub::Why, request,
                                     [this, pass = request.pass()](const WhyReply& reply) {
                                       if (reply.error_size() > 0) return FaultsAnswer(*document_, reply.error());
                                       return JsonAnswer(CachedJson(pass, reply));
                                     });
}

void DaemonCalls::Plan(const Exchange& exchange) {
  const Stack* stack = NeedStack(*document_, exchange);
  if (stack == nullptr) return;
  PlanRequest request;
  *request.mutable_stack() = *stack;
  daemon_->Ask<PlanRequest, PlanReply>(exchange, &JobService::Stub::Plan, request, [this](const PlanReply& reply) {
    if (reply.error_size() > 0) return FaultsAnswer(*document_, reply.error());
    return JsonAnswer(PlanJson(reply));
  });
}

void DaemonCalls::Jobs(const Exchange& exchange) {
  const auto limit = WholeParameter(exchange->request(), "limit");
  if (!limit.ok()) return exchange->Answer(ErrorAnswer(400, std::string(limit.status().message())));
  ListJobsRequest request;
  request.set_limit(static_cast<uint32_t>(std::clamp<int64_t>(limit->value_or(100), 1, 1000)));
  request.set_owner(exchange->request().Parameter("owner"));
  daemon_->Ask<ListJobsRequest, ListJobsReply>(exchange, &JobService::Stub::ListJobs, request,
                                               [](const ListJobsReply& reply) { return JsonAnswer(JobsJson(reply)); });
}

void DaemonCalls::Job(const Exchange& exchange) {
  JobRef request;
  request.set_job_id(exchange->request().Parameter("id"));
  daemon_->Ask<JobRef, GetJobReply>(exchange, &JobService::Stub::GetJob, request, [](const GetJobReply& reply) {
    JsonWriter out;
    WriteJob(reply.progress(), true, &out);
    return JsonAnswer(out.Take());
  });
}

void DaemonCalls::Workers(const Exchange& exchange) {
  daemon_->Ask<WorkersRequest, WorkersReply>(exchange, &JobService::Stub::Workers, WorkersRequest(),
                                             [](const WorkersReply& reply) { return JsonAnswer(WorkersJson(reply)); });
}

void DaemonCalls::Cache(const Exchange& exchange) {
  CacheInfoRequest request;
  if (document_->good() != nullptr) request.set_stack_name(document_->good()->stack().name());
  daemon_->Ask<CacheInfoRequest, CacheInfoReply>(
      exchange, &JobService::Stub::CacheInfo, request,
      [](const CacheInfoReply& reply) { return JsonAnswer(CacheJson(reply)); });
}

void DaemonCalls::Submit(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members || !MayRender(*document_, exchange)) return;
  const Stack* stack = NeedStack(*document_, exchange);
  if (stack == nullptr) return;
  const auto digest = TextMember(*members, "digest");
  if (!digest.ok() || (!digest->empty() && *digest != document_->digest())) {
    return exchange->Answer(ErrorAnswer(409, "the stack is another one by now: look at it again"));
  }
  const auto note = TextMember(*members, "note");
  if (!note.ok()) return exchange->Answer(ErrorAnswer(400, std::string(note.status().message())));
  const SubmitRequest request = ToRequest(daemon_->connection(), {*stack, document_->good()->text(), {}, *note});
  daemon_->Ask<SubmitRequest, SubmitReply>(
      exchange, &JobService::Stub::Submit, request, [this](const SubmitReply& reply) {
        if (reply.error_size() > 0) return FaultsAnswer(*document_, reply.error());
        jobs_->AskNow();
        return JsonAnswer(
            JsonWriter().Object().Text("job", reply.job_id()).Whole("version", reply.version()).EndObject().Take());
      });
}

void DaemonCalls::Cancel(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members) return;
  const auto job = NeededText(*members, "job");
  if (!job.ok()) return exchange->Answer(ErrorAnswer(400, std::string(job.status().message())));
  JobRef request;
  request.set_job_id(*job);
  daemon_->Ask<JobRef, CancelReply>(exchange, &JobService::Stub::Cancel, request, [this](const CancelReply& reply) {
    jobs_->AskNow();
    return JsonAnswer(JsonWriter().Object().Text("state", JobWord(reply.state())).EndObject().Take());
  });
}

void DaemonCalls::Invalidate(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members || !MayRender(*document_, exchange)) return;
  const Stack* stack = NeedStack(*document_, exchange);
  if (stack == nullptr) return;
  const absl::StatusOr<InvalidateRequest> request = ToInvalidate(*members, *stack);
  if (!request.ok()) return exchange->Answer(ErrorAnswer(request.status()));
  daemon_->Ask<InvalidateRequest, InvalidateReply>(
      exchange, &JobService::Stub::Invalidate, *request, [](const InvalidateReply& reply) {
        return JsonAnswer(JsonWriter().Object().Whole("epoch", static_cast<int64_t>(reply.epoch())).EndObject().Take());
      });
}

}  // namespace selvage::client
