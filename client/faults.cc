#include "client/faults.h"

#include "absl/strings/cord.h"
#include "absl/strings/str_cat.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "google/protobuf/struct.pb.h"
#include "google/protobuf/util/json_util.h"

namespace selvage::client {
namespace {

constexpr char kFaultsPayload[] = "selvage/faults";

}  // namespace

absl::Status FaultsIn(const std::string& file, const std::vector<Fault>& faults) {
  if (faults.empty()) return absl::OkStatus();
  std::string text;
  JsonArray list;
  for (const Fault& f : faults) {
    absl::StrAppend(&text, text.empty() ? "" : "\n", file);
    if (f.line > 0) absl::StrAppend(&text, ":", f.line, ":", f.column);
    absl::StrAppend(&text, ": ", f.message);
    JsonObject one;
    one.Add("file", JsonText(file));
    if (f.line > 0) one.Add("line", absl::StrCat(f.line)).Add("column", absl::StrCat(f.column));
    if (!f.path.empty()) one.Add("path", JsonText(f.path));
    list.Add(one.Add("message", JsonText(f.message)).text());
  }
  absl::Status status = absl::InvalidArgumentError(text);
  status.SetPayload(kFaultsPayload, absl::Cord(list.text()));
  return status;
}

std::vector<Fault> FaultsOf(const absl::Status& status) {
  std::vector<Fault> faults;
  google::protobuf::ListValue list;
  const auto payload = status.GetPayload(kFaultsPayload);
  if (!payload || !google::protobuf::util::JsonStringToMessage(std::string(*payload), &list).ok()) return faults;
  for (const auto& value : list.values()) {
    const auto& members = value.struct_value().fields();
    const auto number = [&](const char* name) {
      return members.count(name) > 0 ? static_cast<int>(members.at(name).number_value()) : 0;
    };
    const auto text = [&](const char* name) { return members.count(name) > 0 ? members.at(name).string_value() : ""; };
    faults.push_back({number("line"), number("column"), text("path"), text("message")});
  }
  return faults;
}

std::string FailureJson(const absl::Status& status) {
  std::string errors;
  if (const auto faults = status.GetPayload(kFaultsPayload)) {
    errors = std::string(*faults);
  } else {
    errors = JsonArray().Add(JsonObject().Add("message", JsonText(std::string(status.message()))).text()).text();
  }
  return JsonObject().Add("error", errors).Add("exit_code", absl::StrCat(int{ExitCodeOf(status)})).text() + "\n";
}

}  // namespace selvage::client
