#include "client/loom/requests.h"

#include <algorithm>
#include <cstdint>

#include "proto/status.h"

namespace selvage::client {

std::optional<JsonMembers> ReadMembers(const Exchange& exchange) {
  absl::StatusOr<JsonMembers> members = ReadJson(exchange->request().body);
  if (members.ok()) return *std::move(members);
  exchange->Answer(ErrorAnswer(400, std::string(members.status().message())));
  return std::nullopt;
}

absl::StatusOr<std::optional<int>> FrameMember(const JsonMembers& members, const std::string& name) {
  ASSIGN_OR_RETURN(const auto value, WholeMember(members, name));
  if (!value) return std::optional<int>();
  return std::optional<int>(static_cast<int>(std::clamp<int64_t>(*value, INT32_MIN, INT32_MAX)));
}

const Stack* NeedStack(const Document& document, const Exchange& exchange) {
  if (document.state() == Document::kGood) return &document.good()->stack();
  exchange->Answer(ErrorAnswer(422, document.state() == Document::kNone ? "this loom is open on no stack"
                                    : document.state() == Document::kFaulty
                                        ? "the stack's text has faults: mend them first"
                                        : "the stack file cannot be read now"));
  return nullptr;
}

}  // namespace selvage::client
