#include "client/language/field_lines.h"

#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "absl/strings/str_split.h"
#include "client/language/choices.h"
#include "client/language/descriptions.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

// Messages inside of messages inside of an operator are shown, no deeper.
constexpr int kMostDepth = 2;

std::string Figure(double v) { return absl::StrFormat("%g", v); }

// Messages with a page of their own.
bool HasPage(const Descriptor* type) {
  return type == Number::descriptor() || type == Color::descriptor() || type == Pass::descriptor() ||
         type == Plate::descriptor() || type == Mask::descriptor() || type == Deliverable::descriptor() ||
         type == Step::descriptor() || type == FrameRange::descriptor() || type == Format::descriptor() ||
         type == Screen::descriptor() || type == SampleBox::descriptor();
}

std::string MessageInWords(const Descriptor* type) {
  if (type == Number::descriptor()) return "number (can be animated)";
  if (type == Color::descriptor()) return "colour (can be animated)";
  if (type == SampleBox::descriptor()) return "box to measure in (see `sample`)";
  if (type == FrameRange::descriptor()) return "first and last frame";
  if (type == Screen::descriptor()) return "colour of the screen (see `screen`)";
  return HasPage(type) ? "block (has a page of its own)" : "block";
}

std::string Range(const ParamTraits& traits) {
  const std::string unit = traits.unit().empty() ? "" : absl::StrCat(" ", traits.unit());
  if (traits.has_min() && traits.has_max()) {
    return absl::StrCat(", ", Figure(traits.min()), " to ", Figure(traits.max()), unit);
  }
  if (traits.has_min()) return absl::StrCat(", ", Figure(traits.min()), unit, " or more");
  if (traits.has_max()) return absl::StrCat(", ", Figure(traits.max()), unit, " or less");
  return unit.empty() ? "" : absl::StrCat(", in", unit);
}

std::string Default(const FieldDescriptor* field) {
  const ParamTraits& traits = TraitsOf(field);
  if (traits.required() || field->is_repeated() || field->real_containing_oneof() != nullptr) return "";
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_BOOL) {
    return traits.default_value() != 0 ? ", default true" : ", default false";
  }
  if (traits.has_default_value()) return absl::StrCat(", default ", Figure(traits.default_value()));
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_ENUM && !field->has_presence()) {
    return absl::StrCat(", default ", ChoicesOf(field->enum_type())[0]);
  }
  return "";
}

}  // namespace

std::string KindsInWords(const google::protobuf::RepeatedField<int>& kinds) {
  std::vector<std::string> names;
  for (int k : kinds) names.push_back(KindName(static_cast<Kind>(k)));
  return absl::StrJoin(names, ", ");
}

std::string ExtentInWords(Extent extent) {
  switch (extent) {
    case POINTWISE:
      return "each pixel from the pixel at its place";
    case NEIGHBOURHOOD:
      return "each pixel from its surroundings";
    case GLOBAL:
      return "needs the whole frame; rendered and kept on its own";
    case TEMPORAL:
      return "needs neighbouring frames; rendered and kept on its own";
    default:
      return "";
  }
}

std::string TakesInWords(const Operator& op) {
  return op.traits.takes_size() == 0 ? "nothing: first step of a pass without `from`" : KindsInWords(op.traits.takes());
}
std::string GivesInWords(const Operator& op) {
  if (op.traits.gives() != KIND_UNSPECIFIED) return KindName(op.traits.gives());
  return op.traits.takes_size() == 0 ? "as `as` says" : "what it took";
}

std::string Indented(const std::string& text, const std::string& indent) {
  return indent + absl::StrJoin(absl::StrSplit(text, '\n'), "\n" + indent);
}

std::string TypeInWords(const FieldDescriptor* field) {
  std::string type;
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_MESSAGE:
      type = MessageInWords(field->message_type());
      break;
    case FieldDescriptor::CPPTYPE_ENUM:
      type = absl::StrJoin(ChoicesOf(field->enum_type()), " | ");
      break;
    case FieldDescriptor::CPPTYPE_BOOL:
      type = "true or false";
      break;
    case FieldDescriptor::CPPTYPE_STRING:
      type = TraitsOf(field).input_size() > 0
                 ? absl::StrCat("name of a plate, mask or pass that is ", KindsInWords(TraitsOf(field).input()))
                 : "text";
      break;
    case FieldDescriptor::CPPTYPE_DOUBLE:
    case FieldDescriptor::CPPTYPE_FLOAT:
      type = "number";
      break;
    default:
      type = "whole number";
  }
  return field->is_repeated() ? type + ", as often as needed" : type;
}

namespace {

std::string What(const FieldDescriptor* field) {
  std::string what = absl::StrCat(TypeInWords(field), Range(TraitsOf(field)), Default(field));
  const ParamTraits& traits = TraitsOf(field);
  if (traits.required()) what += ", required";
  if (traits.at_least() > 1) absl::StrAppend(&what, ", at least ", traits.at_least());
  if (!traits.needed_with().empty()) absl::StrAppend(&what, ", required with ", traits.needed_with());
  if (const auto* group = field->real_containing_oneof()) {
    std::vector<std::string> names;
    for (int i = 0; i < group->field_count(); ++i) names.push_back(group->field(i)->name());
    const bool must = !group->options().GetExtension(choice).says().empty();
    absl::StrAppend(&what, must ? "; one is required, set only one of " : "; set only one of ",
                    absl::StrJoin(names, ", "));
  }
  return what;
}

FieldText DescribeTo(const FieldDescriptor* field, int depth) {
  FieldText text{field->name(), What(field), DescriptionOf(field), {}, {}};
  if (const auto* choices = field->enum_type()) {
    const std::vector<std::string> names = ChoicesOf(choices);
    for (int i = 0; i < choices->value_count(); ++i) {
      const std::string about = DescriptionOf(choices->value(i));
      if (about.empty()) continue;
      text.choices.emplace_back(names[static_cast<size_t>(i)], absl::StrReplaceAll(about, {{"\n", " "}}));
    }
  }
  if (field->message_type() != nullptr && depth < kMostDepth && !HasPage(field->message_type())) {
    for (int i = 0; i < field->message_type()->field_count(); ++i) {
      text.inside.push_back(DescribeTo(field->message_type()->field(i), depth + 1));
    }
  }
  return text;
}

}  // namespace

FieldText Describe(const FieldDescriptor* field) { return DescribeTo(field, 0); }

std::string FieldLine(const FieldDescriptor* field) { return absl::StrCat(field->name(), "  ", What(field)); }

std::string FieldBody(const FieldText& field, const std::string& indent) {
  std::string out;
  if (!field.about.empty()) absl::StrAppend(&out, Indented(field.about, indent), "\n");
  for (const auto& [name, about] : field.choices) absl::StrAppend(&out, indent, name, ": ", about, "\n");
  for (const FieldText& inner : field.inside) {
    absl::StrAppend(&out, indent, inner.name, "  ", inner.what, "\n", FieldBody(inner, indent + "    "));
  }
  return out;
}

std::string FieldLines(const Descriptor* type, const std::string& indent) {
  std::string out;
  // Every operator has a page of its own.
  if (type == Step::descriptor()) return absl::StrCat(indent, "one operator; `selvage steps` lists them\n");
  for (int i = 0; i < type->field_count(); ++i) {
    absl::StrAppend(&out, indent, FieldLine(type->field(i)), "\n",
                    FieldBody(Describe(type->field(i)), indent + "    "));
  }
  return out;
}

}  // namespace selvage::client
