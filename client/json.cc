#include "client/json.h"

#include <cmath>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

// The shortest digits that read back as the same number.
std::string NumberText(double value, bool single) {
  if (!std::isfinite(value)) return "null";
  for (int digits = single ? 6 : 15;; ++digits) {
    const std::string text = absl::StrFormat("%.*g", digits, value);
    const bool same = single ? std::strtof(text.c_str(), nullptr) == static_cast<float>(value)
                             : std::strtod(text.c_str(), nullptr) == value;
    if (same || digits == 17) return text;
  }
}

// One value of a field; `index` -1: of a field that is not repeated.
std::string ValueOf(const Message& m, const FieldDescriptor* f, int index) {
  const auto* r = m.GetReflection();
  const bool one = index < 0;
  switch (f->cpp_type()) {
    case FieldDescriptor::CPPTYPE_INT32:
      return absl::StrCat(one ? r->GetInt32(m, f) : r->GetRepeatedInt32(m, f, index));
    case FieldDescriptor::CPPTYPE_UINT32:
      return absl::StrCat(one ? r->GetUInt32(m, f) : r->GetRepeatedUInt32(m, f, index));
    case FieldDescriptor::CPPTYPE_INT64:
      return absl::StrCat(one ? r->GetInt64(m, f) : r->GetRepeatedInt64(m, f, index));
    case FieldDescriptor::CPPTYPE_UINT64:
      return absl::StrCat(one ? r->GetUInt64(m, f) : r->GetRepeatedUInt64(m, f, index));
    case FieldDescriptor::CPPTYPE_FLOAT:
      return NumberText(one ? r->GetFloat(m, f) : r->GetRepeatedFloat(m, f, index), true);
    case FieldDescriptor::CPPTYPE_DOUBLE:
      return NumberText(one ? r->GetDouble(m, f) : r->GetRepeatedDouble(m, f, index), false);
    case FieldDescriptor::CPPTYPE_BOOL:
      return (one ? r->GetBool(m, f) : r->GetRepeatedBool(m, f, index)) ? "true" : "false";
    case FieldDescriptor::CPPTYPE_ENUM: {
      const int number = one ? r->GetEnumValue(m, f) : r->GetRepeatedEnumValue(m, f, index);
      const auto* value = f->enum_type()->FindValueByNumber(number);
      return value == nullptr ? absl::StrCat(number) : JsonText(value->name());
    }
    case FieldDescriptor::CPPTYPE_STRING: {
      const std::string text = one ? r->GetString(m, f) : r->GetRepeatedString(m, f, index);
      return JsonText(f->type() == FieldDescriptor::TYPE_BYTES ? absl::BytesToHexString(text) : text);
    }
    case FieldDescriptor::CPPTYPE_MESSAGE:
      return JsonOf(one ? r->GetMessage(m, f) : r->GetRepeatedMessage(m, f, index));
  }
  return "null";
}

// Inner lines move two places in.
std::string MovedIn(const std::string& text) { return absl::StrJoin(absl::StrSplit(text, '\n'), "\n  "); }

}  // namespace

std::string JsonOf(const Message& message) {
  JsonObject out;
  for (int i = 0; i < message.GetDescriptor()->field_count(); ++i) {
    const FieldDescriptor* field = message.GetDescriptor()->field(i);
    if (field->is_repeated()) {
      JsonArray list;
      for (int j = 0; j < message.GetReflection()->FieldSize(message, field); ++j) list.Add(ValueOf(message, field, j));
      out.Add(field->name(), list.text());
    } else if (!field->has_presence() || message.GetReflection()->HasField(message, field)) {
      out.Add(field->name(), ValueOf(message, field, -1));
    }
  }
  return out.text();
}

std::string Json(const Message& message) { return JsonOf(message) + "\n"; }

std::string JsonText(const std::string& text) {
  std::string out = "\"";
  for (char c : text) {
    if (c == '"' || c == '\\') {
      absl::StrAppend(&out, "\\", std::string(1, c));
    } else if (c == '\n') {
      out += "\\n";
    } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
      out += absl::StrFormat("\\u%04x", static_cast<int>(c));
    } else {
      out += c;
    }
  }
  return out + "\"";
}

JsonObject& JsonObject::Add(const std::string& name, const std::string& value) {
  absl::StrAppend(&members_, members_.empty() ? "" : ",", "\n  ", JsonText(name), ": ", MovedIn(value));
  return *this;
}

std::string JsonObject::text() const { return members_.empty() ? "{}" : absl::StrCat("{", members_, "\n}"); }

JsonArray& JsonArray::Add(const std::string& value) {
  // Short values stand on one line.
  const bool block = value.find('\n') != std::string::npos;
  if (!members_.empty()) members_ += ",";
  if (block) members_ += "\n  ";
  if (!block && !members_.empty()) members_ += " ";
  members_ += MovedIn(value);
  return *this;
}

std::string JsonArray::text() const {
  const bool block = members_.find('\n') != std::string::npos;
  return absl::StrCat("[", members_, block ? "\n]" : "]");
}

}  // namespace selvage::client
