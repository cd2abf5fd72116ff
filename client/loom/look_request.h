// What a page asks to look at, as the daemon is asked.
#pragma once

#include <optional>
#include <string>

#include "absl/status/statusor.h"
#include "client/language/stack_file.h"
#include "client/loom/http_server.h"
#include "proto/job.pb.h"

namespace selvage::client {

// A picture, or (at the address /api/values) the values of one pixel. Errors: INVALID_ARGUMENT a
// parameter or a value that is tried is wrong.
absl::StatusOr<LookRequest> MakeLookRequest(const StackFile& file, const HttpRequest& request);
// The same of a stack that was submitted, in which nothing can be tried.
absl::StatusOr<LookRequest> MakeLookRequest(const Stack& stack, const HttpRequest& request);

// A picture that is as large as the format, whatever it shows.
LookRequest MakeFormatRequest(const Stack& stack);

// A number among the parameters; nullopt where there is none. Errors: INVALID_ARGUMENT.
absl::StatusOr<std::optional<int64_t>> WholeParameter(const HttpRequest& request, const std::string& name);

}  // namespace selvage::client
