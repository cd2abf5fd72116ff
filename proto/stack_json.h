// A stack as JSON, for programs that write stacks.
#pragma once

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "proto/stack.pb.h"

namespace selvage {

// JSON as protobuf defines it (field names as in stack.proto, or in camel case),
// with the short forms of short_forms.h: `"gamma": 1.2`, `"color": [0.1, 0.6, 0.2]`,
// `"color": "#00b140"`.
// Errors: INVALID_ARGUMENT with the place, as a path or as what stands there.
absl::StatusOr<Stack> StackFromJson(absl::string_view text);

}  // namespace selvage
