#include "client/language/examples.h"

#include <map>
#include <vector>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;

// What an artist would write first. An operator that is not here gets what it
// requires.
const std::map<std::string, std::string>& WrittenSteps() {
  static const auto* const steps = new std::map<std::string, std::string>{
      {"attach_matte", "matte: \"matte\""},
      {"chroma_detail", "amount: 1 curve: BT709"},
      {"chroma_range", "screen { hue: GREEN } angle: 25 soft_angle: 15"},
      {"choke", "pixels: 2.5"},
      {"color_difference", "screen { sample { x: 40 y: 40 width: 64 height: 64 } } larger_weight: 0.5"},
      {"combine", "with: \"edge\" rule: MAX"},
      {"composite", "with: \"background\" rule: OVER"},
      {"crop", "left: 100 top: 50 right: 1820 bottom: 1030"},
      {"curve", "point { x: 0 y: 0 } point { x: 0.4 y: 0.5 } point { x: 1 y: 1 }"},
      {"degrain", "window: 1 sample { x: 40 y: 40 width: 96 height: 96 }"},
      {"despill", "screen { hue: GREEN } restore: NEUTRAL"},
      {"drop_specks", "area: 16"},
      {"edge", "inside: 3 outside: 2 sigma: 1"},
      {"fill_color", "core: \"matte\" sigma: 12 amount: 0.8"},
      {"fill_holes", "area: 64"},
      {"flood", "color: [0.18, 0.18, 0.18]"},
      {"grade", "gain: [1.1, 1, 0.9] stops: 0.3"},
      {"hair_contrast", "rotate: 40 black: 0.2 white: 0.6"},
      {"hue_rotate", "rotate: 15"},
      {"levels", "black: 0.1 white: 0.9"},
      {"luma_range", "low: 0.1 low_full: 0.2 high_full: 0.6 high: 0.8"},
      {"patch", "with: \"background\" mask: \"mask\" sigma: 4"},
      {"plate_difference", "clean_plate: \"clean_plate\" sample { x: 40 y: 40 width: 96 height: 96 } low: 3 high: 6"},
      {"premultiply", ""},
      {"refine", "guide: \"plate\" radius: 4"},
      {"regrain", "grain: \"grain\""},
      {"saturation", "amount: 0.8"},
      {"screen_level", "clean_plate: \"clean_plate\" color: [0.1, 0.5, 0.15]"},
      {"screen_plate", "screen { sample { x: 40 y: 40 width: 96 height: 96 } }"},
      {"shadow", "clean_plate: \"clean_plate\" matte: \"matte\" sigma: 2"},
      {"soften", "sigma: 1.5"},
      {"spread_color", "core: \"matte\" inset: 2"},
      {"steady", "plate: \"plate\" amount: 0.8"},
      {"transform", "x: 20 y: -5 rotate: 3 scale: 1.1"},
      {"triangulate",
       "screen { color: [0.1, 0.5, 0.15] } with: \"background\" with_screen { color: [0.1, 0.15, 0.5] }"},
      {"unmix", "clean_plate: \"clean_plate\" core: \"mask\""},
      {"wrap_light", "background: \"background\" sigma: 6 amount: 0.5"},
  };
  return *steps;
}

bool Takes(const google::protobuf::RepeatedField<int>& kinds, Kind kind) {
  for (int k : kinds) {
    if (k == kind) return true;
  }
  return false;
}

// Something of the example's stack that the field takes.
std::string InputFor(const FieldDescriptor* field) {
  if (absl::StrContains(field->name(), "clean_plate")) return "clean_plate";
  if (field->name() == "mask") return "mask";
  if (field->name() == "encoding") return "";
  const auto& kinds = TraitsOf(field).input();
  return Takes(kinds, MATTE) ? "matte" : Takes(kinds, OPAQUE) ? "plate" : "front";
}

std::string RequiredFields(const Operator& op) {
  std::vector<std::string> parts;
  for (int i = 0; i < op.message->field_count(); ++i) {
    const FieldDescriptor* field = op.message->field(i);
    if (!TraitsOf(field).required() || field->cpp_type() != FieldDescriptor::CPPTYPE_STRING) continue;
    parts.push_back(absl::StrCat(field->name(), ": \"", InputFor(field), "\""));
  }
  return absl::StrJoin(parts, " ");
}

// Where a pass begins whose first step is this operator.
std::string FromFor(const OpTraits& traits) {
  if (traits.takes_size() == 0) return "";
  const char* from = Takes(traits.takes(), OPAQUE)     ? "plate"
                     : Takes(traits.takes(), MATTE)    ? "matte"
                     : Takes(traits.takes(), STRAIGHT) ? "cut"
                                                       : "front";
  return absl::StrCat(" from: \"", from, "\"");
}

bool Defines(const std::string& piece, const std::string& block) {
  return absl::StartsWith(piece, block + " ") || absl::StrContains(piece, "\n" + block + " ");
}
bool Names(const std::string& piece, const std::string& name) {
  return absl::StrContains(piece, absl::StrCat("name: \"", name, "\""));
}

}  // namespace

std::string ExampleStep(const Operator& op, const std::string& more) {
  const auto written = WrittenSteps().find(op.name);
  std::string fields = written != WrittenSteps().end() ? written->second : RequiredFields(op);
  if (!more.empty()) absl::StrAppend(&fields, fields.empty() ? "" : " ", more);
  return absl::StrCat("step { ", op.name, " {", fields.empty() ? "" : " ", fields, fields.empty() ? "" : " ", "} }");
}

std::string WholeStack(const std::string& piece, const Operator* op) {
  const std::pair<const char*, const char*> around[] = {
      {"plate", "plate { name: \"plate\" files: \"/shots/plate.%04d.exr\" }\n"},
      {"clean_plate", "plate { name: \"clean_plate\" files: \"/shots/clean_plate.%04d.exr\" }\n"},
      {"background", "plate { name: \"background\" files: \"/shots/background.%04d.exr\" }\n"},
      {"mask", "mask { name: \"mask\" shape { path: \"M 10 10 L 90 10 L 50 90 Z\" } }\n"},
      {"matte", "pass { name: \"matte\" from: \"plate\" step { color_difference {} } }\n"},
      {"edge", "pass { name: \"edge\" from: \"matte\" step { choke { pixels: 2 } } }\n"},
      {"cut", "pass { name: \"cut\" from: \"plate\" step { attach_matte { matte: \"matte\" } } }\n"},
      {"front", "pass { name: \"front\" from: \"cut\" step { premultiply {} } }\n"},
      {"grain",
       "pass { name: \"grain\" from: \"plate\" step { degrain { grain: true sample { x: 40 y: 40 width: 96 height: 96 "
       "} } } }\n"},
  };
  std::string text = Names(piece, "apiary_010") ? "" : "name: \"example\"\n";
  if (!Defines(piece, "frames")) text += "frames { first: 1001 last: 1048 }\n";
  for (const auto& [name, block] : around) {
    if (!Names(piece, name)) text += block;
  }
  if (op == nullptr) {
    absl::StrAppend(&text, piece, "\n");
  } else {
    absl::StrAppend(&text, "pass { name: \"example\"", FromFor(op->traits), " ", piece, " }\n");
  }
  if (!Defines(piece, "deliver")) {
    absl::StrAppend(&text, "deliver { name: \"out\" from: \"", op == nullptr ? "matte" : "example",
                    "\" files: \"/out/out.%04d.exr\" }\n");
  }
  return text;
}

}  // namespace selvage::client
