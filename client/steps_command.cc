// `selvage steps`: the operator manual. Needs no daemon.
#include <cstdio>

#include "client/commands.h"
#include "client/manual.h"
#include "client/output.h"
#include "google/protobuf/struct.pb.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Traits of the operators as JSON, for other programs.
std::string ManualJson(const std::string& name) {
  google::protobuf::Struct all;
  for (const Operator& op : Operators()) {
    if (op.traits.internal() || (!name.empty() && op.name != name)) continue;
    auto* fields = (*all.mutable_fields())[op.name].mutable_struct_value()->mutable_fields();
    (*fields)["family"].set_string_value(op.traits.family());
    (*fields)["revision"].set_number_value(op.traits.revision());
    auto* list = (*fields)["fields"].mutable_list_value();
    for (int i = 0; i < op.message->field_count(); ++i) {
      auto* f = list->add_values()->mutable_struct_value()->mutable_fields();
      const ParamTraits& traits = TraitsOf(op.message->field(i));
      (*f)["name"].set_string_value(op.message->field(i)->name());
      (*f)["unit"].set_string_value(traits.unit());
      if (traits.has_min()) (*f)["min"].set_number_value(traits.min());
      if (traits.has_max()) (*f)["max"].set_number_value(traits.max());
      if (traits.has_default_value()) (*f)["default"].set_number_value(traits.default_value());
    }
  }
  return Json(all);
}

}  // namespace

absl::Status RunSteps(const Globals& globals, const StepsOptions& options) {
  std::string text;
  if (!options.name.empty()) {
    ASSIGN_OR_RETURN(text, ManualPage(options.name));
  } else {
    text = ManualIndex();
  }
  std::fputs(globals.json ? ManualJson(options.name).c_str() : text.c_str(), stdout);
  return absl::OkStatus();
}

}  // namespace selvage::client
