// JSON that a page sends.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "google/protobuf/struct.pb.h"

namespace selvage::client {

using JsonValue = google::protobuf::Value;
using JsonMembers = google::protobuf::Struct;

// Errors: INVALID_ARGUMENT it is no JSON object.
absl::StatusOr<JsonMembers> ReadJson(absl::string_view text);

// nullptr where there is none, or null.
const JsonValue* Member(const JsonMembers& members, const std::string& name);
// "" and `otherwise` where there is none. Errors: INVALID_ARGUMENT of another type.
absl::StatusOr<std::string> TextMember(const JsonMembers& members, const std::string& name);
absl::StatusOr<bool> BoolMember(const JsonMembers& members, const std::string& name);
// nullopt where there is none. Errors: INVALID_ARGUMENT not a whole number.
absl::StatusOr<std::optional<int64_t>> WholeMember(const JsonMembers& members, const std::string& name);
// Errors: INVALID_ARGUMENT also where there is none.
absl::StatusOr<std::string> NeededText(const JsonMembers& members, const std::string& name);
absl::StatusOr<int64_t> NeededWhole(const JsonMembers& members, const std::string& name);

}  // namespace selvage::client
