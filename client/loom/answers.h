// What the daemon says, as the page is told.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/loom/json_writer.h"
#include "proto/job.pb.h"

namespace selvage::client {

// "running": for programs; people read StateName.
const char* JobWord(JobState state);
// README.md, "A JOB". `with_passes`: also the lines of its passes.
void WriteJob(const JobProgress& job, bool with_passes, JsonWriter* out);
std::string JobsJson(const ListJobsReply& jobs);
std::string PlanJson(const PlanReply& plan);
std::string CachedJson(const std::string& pass, const WhyReply& why);
std::string WorkersJson(const WorkersReply& workers);
std::string CacheJson(const CacheInfoReply& cache);

// The outlines of a mask: README.md, "GET /api/curves". Errors: NOT_FOUND, INVALID_ARGUMENT.
absl::StatusOr<std::string> CurvesJson(const Stack& stack, const std::string& mask, int frame);

// An answer that is JSON.
HttpAnswer JsonAnswer(std::string body);
// An answer for an error, by its code.
HttpAnswer ErrorAnswer(const absl::Status& status);
// The daemon refuses the stack.
HttpAnswer FaultsAnswer(const Document& document, const google::protobuf::RepeatedPtrField<StackError>& errors);

}  // namespace selvage::client
