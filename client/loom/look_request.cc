#include "client/loom/look_request.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <optional>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "client/language/choices.h"
#include "client/looking.h"
#include "client/loom/json_reader.h"
#include "client/loom/stack_editor.h"
#include "client/loom/text_tree.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

constexpr char kGreyPass[] = "loom_grey";
constexpr double kMiddleGrey = 0.18;

absl::StatusOr<double> NumberParameter(const HttpRequest& request, const std::string& name, double otherwise) {
  const std::string text = request.Parameter(name);
  double value = otherwise;
  if (text.empty() || (absl::SimpleAtod(text, &value) && std::isfinite(value))) return value;
  return absl::InvalidArgumentError(absl::StrCat("\"", name, "\" is no number: \"", text, "\""));
}

// A value as it stands in an address: JSON, or a text without quotes.
JsonValue ReadValue(const std::string& text) {
  JsonValue value;
  const auto wrapped = ReadJson(absl::StrCat("{\"value\":", text, "}"));
  if (wrapped.ok() && wrapped->fields_size() == 1) {
    value = wrapped->fields().at("value");
  } else {
    value.set_string_value(text);
  }
  return value;
}

// Whether an assignment names its field as a path of the message does: "pass[2].step[1]...".
bool IsPath(const std::string& assignment) {
  for (const char* list : {"pass[", "plate[", "mask[", "deliver["}) {
    if (absl::StartsWith(assignment, list)) return true;
  }
  return false;
}

absl::StatusOr<StackFile> Tried(const StackFile& file, const std::vector<std::string>& set) {
  StackEditor editor(file);
  std::vector<std::string> friendly;
  bool edited = false;
  for (const std::string& assignment : set) {
    if (!IsPath(assignment)) {
      friendly.push_back(assignment);
      continue;
    }
    const size_t equals = assignment.find('=');
    if (equals == std::string::npos) {
      return absl::InvalidArgumentError(absl::StrCat("\"set\" is PATH=VALUE, not \"", assignment.substr(0, 200), "\""));
    }
    // "...stops@1020=0.5": at a key frame.
    std::string path = assignment.substr(0, equals);
    JsonMembers edit;
    auto& members = *edit.mutable_fields();
    members["kind"].set_string_value("set");
    if (const size_t at = path.find('@'); at != std::string::npos) {
      int frame = 0;
      if (!absl::SimpleAtoi(path.substr(at + 1), &frame)) {
        return absl::InvalidArgumentError("a frame number belongs after @");
      }
      members["kind"].set_string_value("key");
      members["frame"].set_number_value(frame);
      path.resize(at);
    } else {
      members["flatten"].set_bool_value(true);
    }
    members["path"].set_string_value(path);
    members["value"] = ReadValue(assignment.substr(equals + 1));
    RETURN_IF_ERROR(editor.Apply(edit));
    edited = true;
  }
  StackFile out = file;
  if (edited) {
    ASSIGN_OR_RETURN(out, StackFile::Parse(file.path(), editor.text()));
  }
  for (const std::string& assignment : friendly) RETURN_IF_ERROR(out.Set(assignment));
  return out;
}

// `paths` lead to steps, or to passes of which all steps are left out.
absl::Status LeaveOut(const std::vector<std::string>& paths, Stack* stack) {
  std::vector<std::pair<int, int>> steps;
  for (const std::string& path : paths) {
    ASSIGN_OR_RETURN(const std::vector<PathPart> parts, ParsePath(path));
    const bool in_pass = !parts.empty() && parts.size() <= 2 && parts[0].name == "pass" && parts[0].index &&
                         *parts[0].index < stack->pass_size();
    const int all = in_pass ? stack->pass(*parts[0].index).step_size() : 0;
    if (in_pass && parts.size() == 1) {
      for (int i = 0; i < all; ++i) steps.push_back({*parts[0].index, i});
    } else if (in_pass && parts[1].name == "step" && parts[1].index && *parts[1].index < all) {
      steps.push_back({*parts[0].index, *parts[1].index});
    } else {
      return absl::InvalidArgumentError(absl::StrCat("there is no step ", path.substr(0, 200)));
    }
  }
  std::sort(steps.begin(), steps.end(), std::greater<>());
  steps.erase(std::unique(steps.begin(), steps.end()), steps.end());
  for (const auto& [pass, step] : steps) stack->mutable_pass(pass)->mutable_step()->DeleteSubrange(step, 1);
  return absl::OkStatus();
}

// A source: it is as large as the format.
void AddGrey(Stack* stack) {
  Pass* pass = stack->add_pass();
  pass->set_name(kGreyPass);
  Color* color = pass->add_step()->mutable_flood()->mutable_color();
  color->set_r(kMiddleGrey);
  color->set_g(kMiddleGrey);
  color->set_b(kMiddleGrey);
}

absl::Status AskPicture(const HttpRequest& request, LookRequest* out) {
  LookPicture& look = *out->mutable_look();
  const std::string as = request.Parameter("as").empty() ? "checker" : request.Parameter("as");
  const bool grey = as == "grey";
  const auto* choice = FindChoice(LookPicture::As_descriptor(), grey ? "background" : as);
  if (choice == nullptr) {
    return absl::InvalidArgumentError(absl::StrCat("\"as\" cannot be \"", as.substr(0, 100), "\""));
  }
  look.set_as(static_cast<LookPicture::As>(choice->number()));
  look.set_behind(grey ? kGreyPass : request.Parameter("over"));
  ASSIGN_OR_RETURN(const double stops, NumberParameter(request, "stops", 0));
  look.mutable_stops()->set_value(stops);
  ASSIGN_OR_RETURN(const double wipe, NumberParameter(request, "wipe", 0.5));
  look.mutable_wipe()->set_value(wipe);
  ASSIGN_OR_RETURN(const auto side, WholeParameter(request, "longest_side"));
  if (side && (*side < 0 || *side > 16384)) return absl::InvalidArgumentError("\"longest_side\" is 0 to 16384");
  look.set_longest_side(static_cast<uint32_t>(side.value_or(0)));
  if (const std::string crop = request.Parameter("crop"); !crop.empty()) {
    const auto box = ParseBox(crop);
    if (!box.ok()) return absl::InvalidArgumentError("\"crop\" is X,Y,WIDTH,HEIGHT in pixels of the format");
    *look.mutable_crop() = *box;
  }
  if (grey) AddGrey(out->mutable_stack());
  return absl::OkStatus();
}

absl::Status AskValues(const HttpRequest& request, LookRequest* out) {
  SampleBox* box = out->mutable_sample()->mutable_box();
  for (const char* name : {"x", "y"}) {
    ASSIGN_OR_RETURN(const auto at, WholeParameter(request, name));
    if (!at || *at < INT32_MIN || *at > INT32_MAX) {
      return absl::InvalidArgumentError(absl::StrCat("\"", name, "\" is missing: the pixel"));
    }
    (*name == 'x') ? box->set_x(static_cast<int>(*at)) : box->set_y(static_cast<int>(*at));
  }
  box->set_width(1);
  box->set_height(1);
  return absl::OkStatus();
}

// What is asked of `out`'s stack.
absl::Status Fill(const HttpRequest& request, LookRequest* out) {
  out->set_pass(request.Parameter("pass"));
  if (out->pass().empty()) return absl::InvalidArgumentError("\"pass\" is missing");
  ASSIGN_OR_RETURN(const auto frame, WholeParameter(request, "frame"));
  if (!frame || *frame < INT32_MIN || *frame > INT32_MAX) return absl::InvalidArgumentError("\"frame\" is missing");
  out->set_frame(static_cast<int>(*frame));
  RETURN_IF_ERROR(LeaveOut(request.Parameters("without"), out->mutable_stack()));
  return request.path == "/api/values" ? AskValues(request, out) : AskPicture(request, out);
}

}  // namespace

absl::StatusOr<std::optional<int64_t>> WholeParameter(const HttpRequest& request, const std::string& name) {
  const std::string text = request.Parameter(name);
  int64_t value = 0;
  if (text.empty()) return std::optional<int64_t>();
  if (!absl::SimpleAtoi(text, &value)) {
    return absl::InvalidArgumentError(absl::StrCat("\"", name, "\" is no whole number: \"", text.substr(0, 100), "\""));
  }
  return std::optional<int64_t>(value);
}

LookRequest MakeFormatRequest(const Stack& stack) {
  LookRequest out;
  *out.mutable_stack() = stack;
  AddGrey(out.mutable_stack());
  out.set_pass(kGreyPass);
  out.set_frame(stack.frames().first());
  out.mutable_look()->set_as(LookPicture::AS_COLOR);
  return out;
}

absl::StatusOr<LookRequest> MakeLookRequest(const StackFile& file, const HttpRequest& request) {
  LookRequest out;
  const std::vector<std::string> set = request.Parameters("set");
  if (set.empty()) {
    *out.mutable_stack() = file.stack();
  } else {
    ASSIGN_OR_RETURN(const StackFile tried, Tried(file, set));
    *out.mutable_stack() = tried.stack();
  }
  RETURN_IF_ERROR(Fill(request, &out));
  return out;
}

absl::StatusOr<LookRequest> MakeLookRequest(const Stack& stack, const HttpRequest& request) {
  if (!request.Parameters("set").empty()) {
    return absl::InvalidArgumentError("nothing can be tried in a version that was submitted");
  }
  LookRequest out;
  *out.mutable_stack() = stack;
  RETURN_IF_ERROR(Fill(request, &out));
  return out;
}

}  // namespace selvage::client
