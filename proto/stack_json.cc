#include "proto/stack_json.h"

#include <string>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "google/protobuf/struct.pb.h"
#include "google/protobuf/util/json_util.h"
#include "proto/short_forms.h"
#include "proto/status.h"

namespace selvage {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Value;
namespace json = google::protobuf::util;

absl::Status Refuse(const std::string& path, absl::string_view why) {
  return absl::InvalidArgumentError(absl::StrCat(path, ": ", why));
}

void SetRgb(double r, double g, double b, Value* v) {
  auto& fields = *v->mutable_struct_value()->mutable_fields();
  fields["r"].set_number_value(r);
  fields["g"].set_number_value(g);
  fields["b"].set_number_value(b);
}

absl::Status ExpandColor(const std::string& path, Value* v) {
  double rgb[3];
  if (v->has_number_value()) {
    const double grey = v->number_value();
    SetRgb(grey, grey, grey, v);
  } else if (v->has_string_value()) {
    if (!ParseWebColor(v->string_value(), rgb)) {
      return Refuse(path, absl::StrCat("\"", v->string_value(), "\" is no colour: write \"#rrggbb\" or three numbers"));
    }
    SetRgb(rgb[0], rgb[1], rgb[2], v);
  } else if (v->has_list_value()) {
    const auto& parts = v->list_value().values();
    bool numbers = parts.size() == 3;
    for (int i = 0; i < 3 && numbers; ++i) {
      numbers = parts.Get(i).has_number_value();
      rgb[i] = parts.Get(i).number_value();
    }
    if (!numbers) return Refuse(path, "takes three numbers, red, green and blue: [0.1, 0.6, 0.2]");
    SetRgb(rgb[0], rgb[1], rgb[2], v);
  }
  return absl::OkStatus();
}

absl::Status ExpandMessage(const std::string& path, const Descriptor* type, Value* v);

absl::Status ExpandOne(const std::string& path, const Descriptor* type, Value* v) {
  if (type->full_name() == "selvage.Color" && !v->has_struct_value()) return ExpandColor(path, v);
  if (type->full_name() == "selvage.Number" && v->has_number_value()) {
    const double number = v->number_value();
    (*v->mutable_struct_value()->mutable_fields())["value"].set_number_value(number);
  }
  return ExpandMessage(path, type, v);
}

const FieldDescriptor* FindField(const Descriptor* type, const std::string& name) {
  const FieldDescriptor* f = type->FindFieldByName(name);
  return f != nullptr ? f : type->FindFieldByCamelcaseName(name);
}

absl::Status ExpandMessage(const std::string& path, const Descriptor* type, Value* v) {
  if (!v->has_struct_value()) return absl::OkStatus();
  for (auto& [name, value] : *v->mutable_struct_value()->mutable_fields()) {
    const FieldDescriptor* f = FindField(type, name);
    if (f == nullptr || f->message_type() == nullptr) continue;
    const std::string here = absl::StrCat(path, path.empty() ? "" : ".", name);
    if (!f->is_repeated()) {
      RETURN_IF_ERROR(ExpandOne(here, f->message_type(), &value));
    } else if (value.has_list_value()) {
      for (int i = 0; i < value.list_value().values_size(); ++i) {
        RETURN_IF_ERROR(ExpandOne(absl::StrCat(here, "[", i, "]"), f->message_type(),
                                  value.mutable_list_value()->mutable_values(i)));
      }
    }
  }
  return absl::OkStatus();
}

template <class Status>
absl::Status FromProtobuf(const Status& status) {
  if (status.ok()) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("not a stack in JSON: ", absl::string_view(status.message().data(), status.message().size())));
}

}  // namespace

absl::StatusOr<Stack> StackFromJson(absl::string_view text) {
  if (text.size() > kMaxStackText) {
    return absl::InvalidArgumentError(
        absl::StrCat("the text has ", text.size() >> 20, " MiB, allowed are ", kMaxStackText >> 20, " MiB"));
  }
  Value value;
  RETURN_IF_ERROR(FromProtobuf(json::JsonStringToMessage(std::string(text), &value)));
  if (!value.has_struct_value())
    return absl::InvalidArgumentError("not a stack in JSON: it must be an object, { ... }");
  RETURN_IF_ERROR(ExpandMessage("", Stack::descriptor(), &value));
  std::string full;
  RETURN_IF_ERROR(FromProtobuf(json::MessageToJsonString(value, &full)));
  Stack stack;
  RETURN_IF_ERROR(FromProtobuf(json::JsonStringToMessage(full, &stack)));
  return stack;
}

}  // namespace selvage
