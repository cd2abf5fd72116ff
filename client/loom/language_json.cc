#include "client/loom/language_json.h"

#include <set>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "client/language/choices.h"
#include "client/language/descriptions.h"
#include "client/language/examples.h"
#include "client/loom/json_writer.h"
#include "client/loom/shape_json.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

std::string BlockName(const Descriptor* type) {
  constexpr size_t kPackage = sizeof("selvage.") - 1;
  return type->full_name().substr(kPackage);
}

const char* TypeWord(const FieldDescriptor* field) {
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_MESSAGE:
      return field->message_type() == Number::descriptor()  ? "number"
             : field->message_type() == Color::descriptor() ? "colour"
                                                            : "block";
    case FieldDescriptor::CPPTYPE_ENUM:
      return "choice";
    case FieldDescriptor::CPPTYPE_BOOL:
      return "bool";
    case FieldDescriptor::CPPTYPE_STRING:
      return NamesAnInput(field) ? "name" : "text";
    case FieldDescriptor::CPPTYPE_DOUBLE:
    case FieldDescriptor::CPPTYPE_FLOAT:
      return "real";
    default:
      return "whole";
  }
}

class Language {
 public:
  std::string Text() {
    out_.Object().Key("operators").Object();
    for (const Operator& op : Operators()) {
      if (!op.traits.internal()) WriteOperator(op);
    }
    out_.EndObject().Key("blocks").Object();
    Want(Stack::descriptor());
    while (!wanted_.empty()) {
      const Descriptor* type = wanted_.back();
      wanted_.pop_back();
      out_.Key(BlockName(type)).Object().Text("doc", DescriptionOf(type));
      Fields(type);
      out_.EndObject();
    }
    return out_.EndObject().EndObject().Take();
  }

 private:
  void Want(const Descriptor* type) {
    if (type != Step::descriptor() && known_.insert(type).second) wanted_.push_back(type);
  }

  void WriteOperator(const Operator& op) {
    const std::string doc = DescriptionOf(op.message);
    out_.Key(op.name).Object();
    out_.Text("family", op.traits.family()).Text("summary", FirstSentence(doc)).Text("doc", doc);
    out_.Key("takes").Array();
    for (const int kind : op.traits.takes()) out_.Text(KindWord(static_cast<Kind>(kind)));
    out_.EndArray().Text("gives", KindWord(op.traits.gives())).Text("example", ExampleStep(op));
    Fields(op.message);
    out_.EndObject();
  }

  void Fields(const Descriptor* type) {
    out_.Key("fields").Array();
    for (int i = 0; i < type->field_count(); ++i) Field(type->field(i));
    out_.EndArray();
  }

  void Field(const FieldDescriptor* field) {
    const ParamTraits& traits = TraitsOf(field);
    const std::string type = TypeWord(field);
    out_.Object().Text("name", field->name()).Text("type", type);
    out_.Text("block", type == "block" ? BlockName(field->message_type()) : "");
    if (type == "block") Want(field->message_type());
    out_.Bool("list", field->is_repeated()).Bool("required", traits.required());
    const auto* group = field->real_containing_oneof();
    out_.Text("only_one_of", group == nullptr ? "" : group->name());
    if (traits.has_min()) out_.Number("min", traits.min());
    if (traits.has_max()) out_.Number("max", traits.max());
    if (traits.has_default_value()) {
      if (type == "bool") {
        out_.Bool("default", traits.default_value() != 0);
      } else {
        out_.Number("default", traits.default_value());
      }
    }
    if (!traits.unit().empty()) out_.Text("unit", traits.unit());
    if (type == "choice") Choices(field);
    if (type == "name") {
      out_.Key("kinds").Array();
      for (const int kind : traits.input()) out_.Text(KindWord(static_cast<Kind>(kind)));
      out_.EndArray();
    }
    out_.Text("doc", DescriptionOf(field)).EndObject();
  }

  void Choices(const FieldDescriptor* field) {
    out_.Key("choices").Array();
    const std::vector<std::string> names = ChoicesOf(field->enum_type());
    for (int i = 0; i < field->enum_type()->value_count(); ++i) {
      out_.Object().Text("name", names[static_cast<size_t>(i)]);
      out_.Text("doc", DescriptionOf(field->enum_type()->value(i))).EndObject();
    }
    out_.EndArray();
  }

  JsonWriter out_;
  std::set<const Descriptor*> known_;
  std::vector<const Descriptor*> wanted_;
};

}  // namespace

std::string LanguageJson() { return Language().Text(); }

}  // namespace selvage::client
