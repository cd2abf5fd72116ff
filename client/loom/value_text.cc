#include "client/loom/value_text.h"

#include <cmath>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "client/language/choices.h"
#include "client/language/field_names.h"
#include "client/loom/json_writer.h"
#include "client/utf8.h"
#include "proto/catalogue.h"
#include "proto/short_forms.h"
#include "proto/status.h"
#include "proto/values.pb.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

constexpr size_t kLineWidth = 110;
constexpr int kDeepest = 20;

absl::Status Wrong(const std::string& name, const std::string& wanted) {
  return absl::InvalidArgumentError(absl::StrCat("`", name, "` takes ", wanted));
}

absl::StatusOr<std::string> WholeText(const FieldDescriptor* field, double number) {
  double least = INT32_MIN, most = INT32_MAX;
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_UINT32) least = 0, most = UINT32_MAX;
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_INT64) least = -9e15, most = 9e15;
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_UINT64) least = 0, most = 9e15;
  if (number != std::floor(number) || !(number >= least && number <= most)) {
    return Wrong(field->name(), absl::StrCat("a whole number", least == 0 ? " of 0 or more" : ""));
  }
  return absl::StrCat(static_cast<int64_t>(number));
}

absl::StatusOr<std::string> ScalarText(const FieldDescriptor* field, const JsonValue& value) {
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_STRING:
      if (value.kind_case() != JsonValue::kStringValue) return Wrong(field->name(), "a text");
      return QuotedText(value.string_value());
    case FieldDescriptor::CPPTYPE_BOOL:
      if (value.kind_case() != JsonValue::kBoolValue) return Wrong(field->name(), "true or false");
      return std::string(value.bool_value() ? "true" : "false");
    case FieldDescriptor::CPPTYPE_ENUM: {
      const auto* choice = FindChoice(field->enum_type(), value.string_value());
      if (value.kind_case() == JsonValue::kStringValue && choice != nullptr) {
        return ChoicesOf(field->enum_type())[static_cast<size_t>(choice->index())];
      }
      return absl::InvalidArgumentError(absl::StrCat("`", field->name(), "` cannot be \"", value.string_value(), "\"",
                                                     ChoiceHelp(field->enum_type(), value.string_value())));
    }
    default: {
      ASSIGN_OR_RETURN(const double number, ReadNumber(field->name(), value));
      const bool real =
          field->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE || field->cpp_type() == FieldDescriptor::CPPTYPE_FLOAT;
      if (!real) return WholeText(field, number);
      return ShortestNumber(number);
    }
  }
}

bool IsBlockValue(const FieldDescriptor* field, const JsonValue& value) {
  return field->message_type() != nullptr && value.kind_case() == JsonValue::kStructValue;
}

// Members in the order of the message, so that the same value gives the same text.
absl::StatusOr<std::vector<std::pair<const FieldDescriptor*, const JsonValue*>>> MembersOf(const Descriptor* type,
                                                                                           const JsonMembers& members) {
  std::vector<std::pair<const FieldDescriptor*, const JsonValue*>> out;
  for (const auto& [name, value] : members.fields()) {
    RETURN_IF_ERROR(FieldOf(type, name).status());
  }
  for (int i = 0; i < type->field_count(); ++i) {
    const auto found = members.fields().find(type->field(i)->name());
    if (found != members.fields().end()) out.push_back({type->field(i), &found->second});
  }
  return out;
}

class Writer {
 public:
  // `fits`: on one line.
  absl::StatusOr<std::string> Field(const FieldDescriptor* field, const JsonValue& value, const std::string& indent,
                                    bool one_line) {
    if (field->is_repeated() && value.kind_case() == JsonValue::kListValue) {
      std::vector<std::string> entries;
      for (const JsonValue& entry : value.list_value().values()) {
        ASSIGN_OR_RETURN(std::string text, Field(field, entry, indent, one_line));
        entries.push_back(std::move(text));
      }
      return absl::StrJoin(entries, one_line ? " " : "\n" + indent);
    }
    if (!IsBlockValue(field, value)) {
      ASSIGN_OR_RETURN(const std::string text, ValueText(field, value));
      return absl::StrCat(field->name(), ": ", text);
    }
    ASSIGN_OR_RETURN(std::string text, Block(field, value, indent, true));
    if (!one_line && indent.size() + field->name().size() + text.size() + 1 > kLineWidth && HasBlocks(field, value)) {
      ASSIGN_OR_RETURN(text, Block(field, value, indent, false));
    }
    return absl::StrCat(field->name(), " ", text);
  }

  absl::StatusOr<std::string> Block(const FieldDescriptor* field, const JsonValue& value, const std::string& indent,
                                    bool one_line) {
    if (++depth_ > kDeepest) return absl::InvalidArgumentError("blocks are nested too deeply");
    ASSIGN_OR_RETURN(const auto members, MembersOf(field->message_type(), value.struct_value()));
    const std::string inner = indent + "  ";
    std::string out = "{";
    for (const auto& [member, what] : members) {
      ASSIGN_OR_RETURN(const std::string text, Field(member, *what, inner, one_line));
      if (!text.empty()) absl::StrAppend(&out, one_line ? " " : "\n" + inner, text);
    }
    --depth_;
    if (out == "{") return std::string("{}");
    return absl::StrCat(out, one_line ? " }" : "\n" + indent + "}");
  }

 private:
  // A block of texts and numbers is no better on several lines.
  static bool HasBlocks(const FieldDescriptor* field, const JsonValue& value) {
    for (const auto& [name, member] : value.struct_value().fields()) {
      const FieldDescriptor* inner = field->message_type()->FindFieldByName(name);
      if (inner != nullptr && inner->message_type() != nullptr) return true;
    }
    return false;
  }

  int depth_ = 0;
};

}  // namespace

std::string QuotedText(absl::string_view text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') {
      absl::StrAppend(&out, "\\", std::string(1, c));
    } else if (c == '\n') {
      out += "\\n";
    } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
      out += absl::StrFormat("\\%03o", static_cast<unsigned char>(c));
    } else {
      out += c;
    }
  }
  return out + "\"";
}

absl::StatusOr<double> ReadNumber(const std::string& name, const JsonValue& value) {
  if (value.kind_case() == JsonValue::kNumberValue && std::isfinite(value.number_value())) return value.number_value();
  return Wrong(name, "a number");
}

absl::StatusOr<ColorValue> ReadColor(const std::string& name, const JsonValue& value) {
  ColorValue color;
  if (value.kind_case() == JsonValue::kStringValue && ParseWebColor(value.string_value(), color.rgb)) {
    color.web = true;
    return color;
  }
  if (value.kind_case() == JsonValue::kNumberValue) {
    for (double& v : color.rgb) v = value.number_value();
    return color;
  }
  if (value.list_value().values_size() == 3) {
    for (int i = 0; i < 3; ++i) {
      ASSIGN_OR_RETURN(color.rgb[i], ReadNumber(name, value.list_value().values(i)));
    }
    return color;
  }
  return Wrong(name, "a colour: one number, three as in [0.1, 0.6, 0.2], or \"#00b140\"");
}

absl::StatusOr<std::string> ValueText(const FieldDescriptor* field, const JsonValue& value) {
  if (IsBlockValue(field, value)) return Writer().Block(field, value, "", true);
  if (field->message_type() == Number::descriptor()) {
    ASSIGN_OR_RETURN(const double number, ReadNumber(field->name(), value));
    return ShortestNumber(number);
  }
  if (field->message_type() == Color::descriptor()) {
    ASSIGN_OR_RETURN(const ColorValue color, ReadColor(field->name(), value));
    if (color.web) return QuotedText(value.string_value());
    return absl::StrCat("[", ShortestNumber(color.rgb[0]), ", ", ShortestNumber(color.rgb[1]), ", ",
                        ShortestNumber(color.rgb[2]), "]");
  }
  if (field->message_type() != nullptr) return Wrong(field->name(), absl::StrCat("a block: ", ExampleOf(field)));
  return ScalarText(field, value);
}

absl::StatusOr<std::string> FieldText(const FieldDescriptor* field, const JsonValue& value, const std::string& indent) {
  return Writer().Field(field, value, indent, false);
}

absl::StatusOr<const FieldDescriptor*> FieldOf(const Descriptor* type, const std::string& name) {
  if (const FieldDescriptor* field = type->FindFieldByName(name)) return field;
  const std::vector<std::string> names = FieldNames(type);
  const std::string closest = ClosestName(name, names);
  return absl::InvalidArgumentError(
      absl::StrCat("there is no \"", name.substr(0, 100), "\" here",
                   closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?"), "; there are ",
                   absl::StrJoin(names, ", ")));
}

}  // namespace selvage::client
