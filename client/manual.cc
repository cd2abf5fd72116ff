#include "client/manual.h"

#include <cctype>
#include <memory>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "google/protobuf/descriptor.pb.h"
#include "google/protobuf/descriptor.h"
#include "proto/catalogue.h"

extern "C" const char selvage_descriptors_begin[];
extern "C" const char selvage_descriptors_end[];

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::DescriptorPool;
using google::protobuf::FieldDescriptor;

// The generated code has no comments; the embedded descriptor set has.
const DescriptorPool& CommentedPool() {
  static const DescriptorPool* const pool = [] {
    auto* out = new DescriptorPool;
    google::protobuf::FileDescriptorSet set;
    set.ParseFromArray(selvage_descriptors_begin,
                       static_cast<int>(selvage_descriptors_end - selvage_descriptors_begin));
    for (const auto& file : set.file()) out->BuildFile(file);
    return out;
  }();
  return *pool;
}

template <class D>
std::string CommentOf(const D* descriptor) {
  google::protobuf::SourceLocation place;
  if (descriptor == nullptr || !descriptor->GetSourceLocation(&place)) return "";
  std::string text = place.leading_comments.empty() ? place.trailing_comments : place.leading_comments;
  std::vector<std::string> lines = absl::StrSplit(text, '\n');
  for (std::string& line : lines) {
    if (!line.empty() && line[0] == ' ') line.erase(0, 1);
  }
  while (!lines.empty() && lines.back().empty()) lines.pop_back();
  return absl::StrJoin(lines, "\n");
}

const Descriptor* Commented(const Descriptor* d) { return CommentedPool().FindMessageTypeByName(d->full_name()); }

std::string FirstSentence(const std::string& text) {
  std::string flat = text;
  for (char& c : flat) {
    if (c == '\n') c = ' ';
  }
  for (size_t i = 0; i + 1 < flat.size(); ++i) {
    if ((flat[i] == '.' || flat[i] == ':') && flat[i + 1] == ' ') return flat.substr(0, i);
  }
  while (!flat.empty() && flat.back() == '.') flat.pop_back();
  return flat;
}

std::string Indent(const std::string& text, const std::string& by) {
  return by + absl::StrJoin(absl::StrSplit(text, '\n'), "\n" + by);
}

std::string Kinds(const google::protobuf::RepeatedField<int>& kinds) {
  std::vector<std::string> names;
  for (int k : kinds) names.push_back(KindName(static_cast<Kind>(k)));
  return absl::StrJoin(names, ", ");
}

std::string Figure(double v) { return absl::StrFormat("%g", v); }

std::string TypeOf(const FieldDescriptor* field) {
  std::string type;
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_MESSAGE:
      type = field->message_type()->name();
      if (type == "Number") type = "number, may move";
      if (type == "Color") type = "colour, may move";
      if (type == "SampleBox") type = "box to measure in";
      break;
    case FieldDescriptor::CPPTYPE_ENUM: {
      std::vector<std::string> values;
      for (int i = 0; i < field->enum_type()->value_count(); ++i)
        values.push_back(field->enum_type()->value(i)->name());
      type = absl::StrJoin(values, " | ");
      break;
    }
    case FieldDescriptor::CPPTYPE_BOOL:
      type = "true or false";
      break;
    case FieldDescriptor::CPPTYPE_STRING:
      type = TraitsOf(field).input_size() > 0 ? absl::StrCat("name of: ", Kinds(TraitsOf(field).input())) : "text";
      break;
    case FieldDescriptor::CPPTYPE_DOUBLE:
    case FieldDescriptor::CPPTYPE_FLOAT:
      type = "number";
      break;
    default:
      type = "whole number";
  }
  return field->is_repeated() ? absl::StrCat("list of ", type) : type;
}

std::string FieldLine(const FieldDescriptor* field) {
  const ParamTraits& traits = TraitsOf(field);
  std::string line = absl::StrCat(field->name(), "  ", TypeOf(field));
  if (traits.has_min() || traits.has_max()) {
    absl::StrAppend(&line, ", ", traits.has_min() ? Figure(traits.min()) : "any", " to ",
                    traits.has_max() ? Figure(traits.max()) : "any");
  }
  if (!traits.unit().empty()) absl::StrAppend(&line, " ", traits.unit());
  if (traits.has_default_value()) absl::StrAppend(&line, ", default ", Figure(traits.default_value()));
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_ENUM) {
    absl::StrAppend(&line, ", default ", field->enum_type()->value(0)->name());
  }
  if (traits.required()) line += ", needed";
  if (field->real_containing_oneof() != nullptr) line += ", one of several";
  return line;
}

void AppendFields(const Descriptor* type, const std::string& indent, int depth, std::string* out) {
  const Descriptor* commented = Commented(type);
  for (int i = 0; i < type->field_count(); ++i) {
    const FieldDescriptor* field = type->field(i);
    absl::StrAppend(out, indent, FieldLine(field), "\n");
    const std::string comment = CommentOf(commented == nullptr ? nullptr : commented->FindFieldByName(field->name()));
    if (!comment.empty()) absl::StrAppend(out, Indent(comment, indent + "    "), "\n");
    if (field->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE && depth < 2) {
      const std::string name = field->message_type()->name();
      if (name != "Number" && name != "Color") AppendFields(field->message_type(), indent + "    ", depth + 1, out);
    }
  }
}

std::string ExtentText(Extent extent) {
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

std::string Example(const Operator& op) {
  std::vector<std::string> parts;
  for (int i = 0; i < op.message->field_count() && parts.size() < 3; ++i) {
    const FieldDescriptor* field = op.message->field(i);
    const ParamTraits& traits = TraitsOf(field);
    if (field->cpp_type() == FieldDescriptor::CPPTYPE_STRING && traits.required()) {
      parts.push_back(absl::StrCat(field->name(), ": \"a_pass\""));
    } else if (field->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE && field->message_type()->name() == "Number") {
      parts.push_back(absl::StrCat(field->name(), " { value: ", Figure(traits.default_value()), " }"));
    } else if (field->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE && field->message_type()->name() == "Screen") {
      parts.push_back(absl::StrCat(field->name(), " { hue: GREEN }"));
    }
  }
  return absl::StrCat("step { ", op.name, " { ", absl::StrJoin(parts, " "), parts.empty() ? "} }" : " } }");
}

}  // namespace

std::string ManualIndex() {
  std::string out;
  std::vector<std::string> families;
  for (const Operator& op : Operators()) {
    if (op.traits.internal()) continue;
    bool known = false;
    for (const std::string& f : families) known |= f == op.traits.family();
    if (!known) families.push_back(op.traits.family());
  }
  for (const std::string& family : families) {
    absl::StrAppend(&out, family, "\n");
    for (const Operator& op : Operators()) {
      if (op.traits.internal() || op.traits.family() != family) continue;
      absl::StrAppend(&out, absl::StrFormat("  %-18s %s\n", op.name, FirstSentence(CommentOf(Commented(op.message)))));
    }
  }
  absl::StrAppend(&out, "\n`selvage steps NAME` prints one operator's page.\n");
  return out;
}

absl::StatusOr<std::string> ManualPage(const std::string& name) {
  const Operator* op = FindOperator(name);
  if (op == nullptr || op->traits.internal()) {
    const std::string closest = ClosestOperator(name);
    return absl::NotFoundError(absl::StrCat("there is no operator \"", name, "\"",
                                            closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?")));
  }
  std::string out = absl::StrCat(op->name, "  (", op->traits.family(), ", revision ", op->traits.revision(), ")\n\n");
  absl::StrAppend(&out, Indent(CommentOf(Commented(op->message)), "  "), "\n\n");
  const std::string takes =
      op->traits.takes_size() == 0 ? "nothing: first step of a pass without `from`" : Kinds(op->traits.takes());
  const std::string gives = op->traits.gives() == KIND_UNSPECIFIED
                                ? (op->traits.takes_size() == 0 ? "as `as` says" : "what it took")
                                : KindName(op->traits.gives());
  absl::StrAppend(&out, "  takes    ", takes, "\n  gives    ", gives, "\n  looks at ", ExtentText(op->traits.extent()),
                  "\n  example  ", Example(*op), "\n");
  std::string fields;
  AppendFields(op->message, "  ", 0, &fields);
  if (!fields.empty()) absl::StrAppend(&out, "\nfields\n", fields);
  if (op->traits.extent() != GLOBAL || op->traits.gives() != BLOB) {
    absl::StrAppend(&out, "\nsee it: selvage look STACK PASS --frame N --as ",
                    op->traits.gives() == MATTE ? "matte" : "color", " -o look.png\n");
  }
  return out;
}

}  // namespace selvage::client
