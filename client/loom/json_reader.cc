#include "client/loom/json_reader.h"

#include <cmath>

#include "absl/strings/str_cat.h"
#include "google/protobuf/util/json_util.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

absl::Status Wrong(const std::string& name, const char* wanted) {
  return absl::InvalidArgumentError(absl::StrCat("\"", name, "\" must be ", wanted));
}

absl::Status Missing(const std::string& name) {
  return absl::InvalidArgumentError(absl::StrCat("\"", name, "\" is missing"));
}

// Whether arrays and objects lie too deep in each other: the parser is slow to find out.
bool TooDeep(absl::string_view text) {
  constexpr int kDeepest = 64;
  int depth = 0;
  bool in_text = false;
  for (size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (c == '\\') ++i;
    if (c == '"') in_text = !in_text;
    if (in_text) continue;
    depth += (c == '[' || c == '{') - (c == ']' || c == '}');
    if (depth > kDeepest) return true;
  }
  return false;
}

}  // namespace

absl::StatusOr<JsonMembers> ReadJson(absl::string_view text) {
  if (TooDeep(text)) return absl::InvalidArgumentError("the request is nested too deeply");
  JsonMembers members;
  const auto status = google::protobuf::util::JsonStringToMessage(std::string(text), &members);
  if (status.ok()) return members;
  return absl::InvalidArgumentError(
      absl::StrCat("the request is no JSON object: ", std::string(status.message()).substr(0, 200)));
}

const JsonValue* Member(const JsonMembers& members, const std::string& name) {
  const auto found = members.fields().find(name);
  if (found == members.fields().end() || found->second.kind_case() == JsonValue::kNullValue) return nullptr;
  return &found->second;
}

absl::StatusOr<std::string> TextMember(const JsonMembers& members, const std::string& name) {
  const JsonValue* value = Member(members, name);
  if (value == nullptr) return std::string();
  if (value->kind_case() != JsonValue::kStringValue) return Wrong(name, "a text");
  return value->string_value();
}

absl::StatusOr<bool> BoolMember(const JsonMembers& members, const std::string& name) {
  const JsonValue* value = Member(members, name);
  if (value == nullptr) return false;
  if (value->kind_case() != JsonValue::kBoolValue) return Wrong(name, "true or false");
  return value->bool_value();
}

absl::StatusOr<std::optional<int64_t>> WholeMember(const JsonMembers& members, const std::string& name) {
  const JsonValue* value = Member(members, name);
  if (value == nullptr) return std::optional<int64_t>();
  const double number = value->number_value();
  if (value->kind_case() != JsonValue::kNumberValue || !(std::abs(number) <= 9e15) || number != std::floor(number)) {
    return Wrong(name, "a whole number");
  }
  return std::optional<int64_t>(static_cast<int64_t>(number));
}

absl::StatusOr<std::string> NeededText(const JsonMembers& members, const std::string& name) {
  if (Member(members, name) == nullptr) return Missing(name);
  return TextMember(members, name);
}

absl::StatusOr<int64_t> NeededWhole(const JsonMembers& members, const std::string& name) {
  ASSIGN_OR_RETURN(const auto value, WholeMember(members, name));
  if (!value) return Missing(name);
  return *value;
}

}  // namespace selvage::client
