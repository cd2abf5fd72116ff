// The manual for other programs.
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/json.h"
#include "client/language/choices.h"
#include "client/language/descriptions.h"
#include "client/language/examples.h"
#include "client/language/field_lines.h"
#include "client/language/manual.h"
#include "client/language/words.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

std::string FieldJson(const FieldDescriptor* field) {
  const ParamTraits& traits = TraitsOf(field);
  JsonObject out;
  out.Add("name", JsonText(field->name())).Add("type", JsonText(TypeInWords(field)));
  out.Add("description", JsonText(DescriptionOf(field)));
  if (!traits.unit().empty()) out.Add("unit", JsonText(traits.unit()));
  if (traits.has_min()) out.Add("min", absl::StrFormat("%.17g", traits.min()));
  if (traits.has_max()) out.Add("max", absl::StrFormat("%.17g", traits.max()));
  if (traits.has_default_value()) out.Add("default", absl::StrFormat("%.17g", traits.default_value()));
  if (traits.required()) out.Add("required", "true");
  if (const auto* group = field->real_containing_oneof()) out.Add("only_one_of", JsonText(group->name()));
  if (const auto* type = field->enum_type()) {
    JsonArray choices;
    const std::vector<std::string> names = ChoicesOf(type);
    for (int i = 0; i < type->value_count(); ++i) {
      choices.Add(JsonObject()
                      .Add("name", JsonText(names[static_cast<size_t>(i)]))
                      .Add("description", JsonText(DescriptionOf(type->value(i))))
                      .text());
    }
    out.Add("choices", choices.text());
  }
  return out.text();
}

std::string FieldsJson(const Descriptor* type) {
  JsonArray fields;
  // The operators stand by themselves.
  if (type == Step::descriptor()) return fields.text();
  for (int i = 0; i < type->field_count(); ++i) fields.Add(FieldJson(type->field(i)));
  return fields.text();
}

std::string WordsJson(const std::string& name) {
  JsonArray words;
  for (const LanguageWord& word : LanguageWords()) {
    if (!name.empty() && word.name != name) continue;
    words.Add(JsonObject()
                  .Add("name", JsonText(word.name))
                  .Add("summary", JsonText(word.summary))
                  .Add("description", JsonText(DescriptionOf(word.message)))
                  .Add("example", JsonText(word.example))
                  .Add("fields", FieldsJson(word.message))
                  .text());
  }
  return words.text();
}

std::string OperatorListJson(const std::string& name) {
  JsonArray list;
  for (const Operator& op : Operators()) {
    if (op.traits.internal() || (!name.empty() && op.name != name)) continue;
    list.Add(JsonObject()
                 .Add("name", JsonText(op.name))
                 .Add("family", JsonText(op.traits.family()))
                 .Add("revision", absl::StrCat(op.traits.revision()))
                 .Add("summary", JsonText(FirstSentence(DescriptionOf(op.message))))
                 .Add("description", JsonText(DescriptionOf(op.message)))
                 .Add("takes", JsonText(KindsInWords(op.traits.takes())))
                 .Add("gives", JsonText(op.traits.gives() == KIND_UNSPECIFIED ? "" : KindName(op.traits.gives())))
                 .Add("example", JsonText(ExampleStep(op)))
                 .Add("fields", FieldsJson(op.message))
                 .text());
  }
  return list.text();
}

}  // namespace

absl::StatusOr<std::string> OperatorsJson(const std::string& name) {
  if (!name.empty()) {
    const auto page = OperatorPage(name);
    if (!page.ok()) return page.status();
  }
  return JsonObject().Add("operator", OperatorListJson(name)).text() + "\n";
}

absl::StatusOr<std::string> ManualJson(const std::string& given) {
  const std::string name = absl::AsciiStrToLower(given);
  if (!name.empty()) {
    const auto page = ManualPage(name);
    if (!page.ok()) return page.status();
  }
  return JsonObject().Add("word", WordsJson(name)).Add("operator", OperatorListJson(name)).text() + "\n";
}

}  // namespace selvage::client
