#include "client/loom/task_calls.h"

#include <cstdint>
#include <memory>

#include "absl/strings/str_cat.h"
#include "client/loom/requests.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

void AnswerId(const Exchange& exchange, const absl::StatusOr<std::string>& id) {
  if (!id.ok()) return exchange->Answer(ErrorAnswer(id.status()));
  exchange->Answer(JsonAnswer(JsonWriter().Object().Text("id", *id).EndObject().Take()));
}

absl::StatusOr<ReportWish> ToReport(const JsonMembers& members) {
  ReportWish wish;
  if (const JsonValue* passes = Member(members, "passes")) {
    for (const JsonValue& pass : passes->list_value().values()) wish.passes.push_back(pass.string_value());
  }
  ASSIGN_OR_RETURN(wish.core, TextMember(members, "core"));
  ASSIGN_OR_RETURN(wish.garbage, TextMember(members, "garbage"));
  ASSIGN_OR_RETURN(wish.first, FrameMember(members, "first"));
  ASSIGN_OR_RETURN(wish.last, FrameMember(members, "last"));
  return wish;
}

absl::StatusOr<FetchWish> ToFetch(const JsonMembers& members) {
  FetchWish wish;
  ASSIGN_OR_RETURN(wish.deliverable, TextMember(members, "deliverable"));
  ASSIGN_OR_RETURN(wish.overwrite, BoolMember(members, "overwrite"));
  ASSIGN_OR_RETURN(const auto first, FrameMember(members, "first"));
  ASSIGN_OR_RETURN(const auto last, FrameMember(members, "last"));
  wish.frames = {first.value_or(INT32_MIN), last.value_or(INT32_MAX)};
  return wish;
}

}  // namespace

void TaskCalls::Get(const Exchange& exchange) {
  const HttpRequest& request = exchange->request();
  const auto json = tasks_->Json(request.path.substr(5), request.Parameter("id"));
  exchange->Answer(json.ok() ? JsonAnswer(*json) : ErrorAnswer(404, std::string(json.status().message())));
}

void TaskCalls::Report(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members) return;
  const Stack* stack = NeedStack(*document_, exchange);
  if (stack == nullptr) return;
  const absl::StatusOr<ReportWish> wish = ToReport(*members);
  if (!wish.ok()) return exchange->Answer(ErrorAnswer(wish.status()));
  AnswerId(exchange, tasks_->Report(*stack, *wish));
}

void TaskCalls::Deliverables(const Exchange& exchange) {
  WithJob(exchange, exchange->request().Parameter("job"), [this, exchange](const GetJobReply& job) {
    // Thousands of files are looked for: not on this thread.
    const bool runs = daemon_->calls().Run([this, exchange, job] {
      daemon_->Post([exchange, text = DeliverablesJson(job)] { exchange->Answer(JsonAnswer(text)); });
    });
    if (!runs) Daemon::Busy(exchange);
  });
}

void TaskCalls::Fetch(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members) return;
  const absl::StatusOr<FetchWish> wish = ToFetch(*members);
  if (!wish.ok()) return exchange->Answer(ErrorAnswer(wish.status()));
  const auto job = TextMember(*members, "job");
  if (!job.ok()) return exchange->Answer(ErrorAnswer(job.status()));
  WithJob(exchange, *job,
          [this, exchange, wish](const GetJobReply& found) { AnswerId(exchange, tasks_->Fetch(found, *wish)); });
}

void TaskCalls::WithJob(const Exchange& exchange, const std::string& job,
                        std::function<void(const GetJobReply&)> then) {
  const std::string name = document_->good() == nullptr ? "" : document_->good()->stack().name();
  const bool runs = daemon_->calls().Run([this, exchange, job, name, then]() mutable {
    auto reply = std::make_shared<GetJobReply>();
    const absl::Status status = FindJob(job, name, reply.get());
    daemon_->Post([this, exchange = std::move(exchange), reply, status, then] {
      daemon_->NoteCall(status);
      if (!status.ok()) return exchange->Answer(ErrorAnswer(FromDaemon(status)));
      then(*reply);
    });
  });
  if (!runs) Daemon::Busy(exchange);
}

// On a thread of the pool.
absl::Status TaskCalls::FindJob(std::string job, const std::string& stack_name, GetJobReply* reply) {
  Connection& connection = daemon_->connection();
  if (job.empty()) {
    ListJobsRequest list;
    list.set_limit(1000);
    ListJobsReply jobs;
    const StoppableCall call(daemon_->ending(), connection.Call());
    RETURN_IF_ERROR(connection.Explain(connection.jobs().ListJobs(call.get(), list, &jobs)));
    for (const JobProgress& j : jobs.job()) {
      if (job.empty() && j.stack_name() == stack_name) job = j.job_id();
    }
    if (job.empty()) return absl::NotFoundError("this stack has not been submitted yet");
  }
  JobRef ref;
  ref.set_job_id(job);
  const StoppableCall call(daemon_->ending(), connection.Call());
  return connection.Explain(connection.jobs().GetJob(call.get(), ref, reply));
}

}  // namespace selvage::client
