#include "client/language/field_names.h"

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/language/choices.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

bool Has(const Descriptor* type, const std::string& name) {
  return type != nullptr && type->FindFieldByName(name) != nullptr;
}

// Blocks in a message that have such a field: "screen { }".
std::vector<std::string> BlocksWith(const Descriptor* type, const std::string& name) {
  std::vector<std::string> blocks;
  for (int i = 0; i < type->field_count(); ++i) {
    if (Has(type->field(i)->message_type(), name)) blocks.push_back(absl::StrCat("`", type->field(i)->name(), " { }`"));
  }
  return blocks;
}

std::string Called(const Enclosing& block) {
  return block.name.empty() ? "at the top of the file" : absl::StrCat("in `", block.name, "`");
}

}  // namespace

std::vector<std::string> FieldNames(const Descriptor* type) {
  std::vector<std::string> names;
  for (int i = 0; i < type->field_count(); ++i) {
    const FieldDescriptor* field = type->field(i);
    const bool internal = type == Step::descriptor() && FindOperator(field->name())->traits.internal();
    if (!internal) names.push_back(field->name());
  }
  return names;
}

std::string UnknownField(const std::string& name, const std::vector<Enclosing>& around) {
  const Enclosing& here = around.back();
  if (here.type == Step::descriptor()) {
    const std::string closest = ClosestOperator(name);
    return absl::StrCat("there is no operator \"", name, "\"",
                        closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?"),
                        " (`selvage steps` lists them all)");
  }
  const std::string no = absl::StrCat("there is no field \"", name, "\" ", Called(here));
  const std::vector<std::string> names = FieldNames(here.type);
  const std::string closest = ClosestName(name, names);
  if (!closest.empty()) return absl::StrCat(no, "; did you mean \"", closest, "\"?");
  for (size_t i = around.size() - 1; i-- > 0;) {
    if (Has(around[i].type, name)) {
      return absl::StrCat(no, "; it belongs ", Called(around[i]), ": close `", here.name, " { }` before it");
    }
  }
  if (FindOperator(name) != nullptr && Has(here.type, "step")) {
    return absl::StrCat(no, "; an operator is written step { ", name, " { } }");
  }
  const std::vector<std::string> inside = BlocksWith(here.type, name);
  if (inside.size() == 1) return absl::StrCat(no, "; it belongs inside ", inside[0]);
  if (names.empty()) return absl::StrCat(no, "; it has no fields");
  return absl::StrCat(no, "; there are ", absl::StrJoin(names, ", "));
}

std::string TwoOfOne(const FieldDescriptor* second, const FieldDescriptor* first, int line_of_first) {
  if (second->containing_type() == Step::descriptor()) {
    return absl::StrCat("a step holds one operator, and `", first->name(), "` on line ", line_of_first,
                        " is it: give `", second->name(), "` a step of its own");
  }
  return absl::StrCat("`", second->name(), "` and `", first->name(), "` (line ", line_of_first,
                      ") exclude each other: set only one of them");
}

std::string ExampleOf(const FieldDescriptor* field) {
  const std::string name = field->name();
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_STRING:
      return absl::StrCat(name, ": \"...\"");
    case FieldDescriptor::CPPTYPE_ENUM: {
      const std::vector<std::string> choices = ChoicesOf(field->enum_type());
      return absl::StrCat(name, ": ", choices[choices.size() > 1 ? 1 : 0]);
    }
    case FieldDescriptor::CPPTYPE_BOOL:
      return absl::StrCat(name, ": true");
    case FieldDescriptor::CPPTYPE_DOUBLE:
    case FieldDescriptor::CPPTYPE_FLOAT:
      return absl::StrCat(name, ": 0.5");
    case FieldDescriptor::CPPTYPE_MESSAGE:
      if (field->message_type() == Number::descriptor()) return absl::StrCat(name, ": 0.5");
      if (field->message_type() == Color::descriptor()) return absl::StrCat(name, ": [0.1, 0.6, 0.2]");
      return absl::StrCat(name, " { ... }");
    default:
      return absl::StrCat(name, ": 2");
  }
}

}  // namespace selvage::client
