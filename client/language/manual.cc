#include "client/language/manual.h"

#include <algorithm>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/language/choices.h"
#include "client/language/descriptions.h"
#include "client/language/examples.h"
#include "client/language/field_lines.h"
#include "client/language/field_names.h"
#include "client/language/words.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;

const LanguageWord* FindWord(const std::string& name) {
  for (const LanguageWord& word : LanguageWords()) {
    if (word.name == name || std::find(word.also.begin(), word.also.end(), name) != word.also.end()) return &word;
  }
  return nullptr;
}

// Operators for stacks; others are made by the planner.
const Operator* FindForStacks(const std::string& name) {
  const Operator* op = FindOperator(name);
  return op == nullptr || op->traits.internal() ? nullptr : op;
}

std::string PageOf(const Operator& op) {
  std::string out = absl::StrCat(op.name, "  (", op.traits.family(), ", revision ", op.traits.revision(), ")\n\n",
                                 Indented(DescriptionOf(op.message), "  "), "\n\n  takes    ", TakesInWords(op),
                                 "\n  gives    ", GivesInWords(op), "\n  looks at ", ExtentInWords(op.traits.extent()),
                                 "\n  example  ", ExampleStep(op), "\n");
  const std::string fields = FieldLines(op.message, "  ");
  if (!fields.empty()) absl::StrAppend(&out, "\nfields\n", fields);
  absl::StrAppend(&out, "\nsee it: selvage look STACK PASS --frame N --as ",
                  op.traits.gives() == MATTE ? "matte" : "color", " -o look.png\n");
  return out;
}

std::string PageOf(const LanguageWord& word) {
  const std::string usually = word.usually.empty() ? "" : Indented(word.usually, "  ") + "\n\n";
  return absl::StrCat(word.name, "  ", word.summary, "\n\n", usually, Indented(DescriptionOf(word.message), "  "),
                      "\n\nfields\n", FieldLines(word.message, "  "), "\nexample\n", Indented(word.example, "  "),
                      "\n");
}

// A field of that name, and where it is.
struct FieldUse {
  const FieldDescriptor* field;
  std::string owner;
  std::string example;
  const Operator* op = nullptr;
};

// An operator's example that shows the field.
std::string ExampleWith(const Operator& op, const FieldDescriptor* field) {
  const std::string step = ExampleStep(op);
  if (absl::StrContains(step, field->name() + ":") || absl::StrContains(step, field->name() + " {")) return step;
  return field->cpp_type() == FieldDescriptor::CPPTYPE_ENUM ? ExampleStep(op, ExampleOf(field)) : step;
}

std::vector<FieldUse> UsesOf(const std::string& name) {
  std::vector<FieldUse> uses;
  for (const LanguageWord& word : LanguageWords()) {
    const FieldDescriptor* field = word.message->FindFieldByName(name);
    if (word.message != Step::descriptor() && field != nullptr) uses.push_back({field, word.name, word.example});
  }
  for (const Operator& op : Operators()) {
    const FieldDescriptor* field = op.traits.internal() ? nullptr : op.message->FindFieldByName(name);
    if (field != nullptr) uses.push_back({field, op.name, ExampleWith(op, field), &op});
  }
  return uses;
}

std::string PageOf(const std::vector<FieldUse>& uses) {
  std::string out;
  for (const FieldUse& use : uses) {
    absl::StrAppend(&out, out.empty() ? "" : "\n", "in `", use.owner, "`:\n  ", FieldLine(use.field), "\n",
                    FieldBody(Describe(use.field), "      "), "    for example\n", Indented(use.example, "      "),
                    "\n");
  }
  return out;
}

absl::Status NoSuch(const std::string& what, const std::string& name, const std::string& closest) {
  return absl::NotFoundError(absl::StrCat("there is no ", what, " \"", name, "\"",
                                          closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?")));
}

}  // namespace

std::string OperatorIndex() {
  std::vector<std::string> families;
  for (const Operator& op : Operators()) {
    const bool known = std::find(families.begin(), families.end(), op.traits.family()) != families.end();
    if (!op.traits.internal() && !known) families.push_back(op.traits.family());
  }
  std::string out;
  for (const std::string& family : families) {
    absl::StrAppend(&out, family, "\n");
    for (const Operator& op : Operators()) {
      if (op.traits.internal() || op.traits.family() != family) continue;
      absl::StrAppend(&out, absl::StrFormat("  %-18s %s\n", op.name, FirstSentence(DescriptionOf(op.message))));
    }
  }
  absl::StrAppend(&out, "\n`selvage steps NAME` prints one operator's page, `selvage manual` explains the language.\n");
  return out;
}

std::string ManualIndex() {
  std::string out = "the language of stacks\n";
  for (const LanguageWord& word : LanguageWords()) {
    absl::StrAppend(&out, absl::StrFormat("  %-18s %s\n", word.name, word.summary));
  }
  absl::StrAppend(&out, "\n", OperatorIndex(),
                  "`selvage manual WORD` prints the page of any of these, or of a field: ", "`selvage manual ease`.\n");
  return out;
}

absl::StatusOr<std::string> OperatorPage(const std::string& name) {
  if (const Operator* op = FindForStacks(name)) return PageOf(*op);
  return NoSuch("operator", name, ClosestOperator(name));
}

std::vector<std::string> ManualWords() {
  std::vector<std::string> words;
  for (const LanguageWord& word : LanguageWords()) words.push_back(word.name);
  for (const Operator& op : Operators()) {
    if (!op.traits.internal()) words.push_back(op.name);
  }
  return words;
}

absl::StatusOr<std::string> ManualPage(const std::string& given) {
  const std::string name = absl::AsciiStrToLower(given);
  if (const LanguageWord* word = FindWord(name)) return PageOf(*word);
  if (const Operator* op = FindForStacks(name)) return PageOf(*op);
  const std::vector<FieldUse> uses = UsesOf(name);
  if (!uses.empty()) return PageOf(uses);
  std::vector<std::string> known = ManualWords();
  for (const LanguageWord& word : LanguageWords()) {
    for (const std::string& field : FieldNames(word.message)) known.push_back(field);
  }
  return NoSuch("page for", given, ClosestName(name, known));
}

std::vector<std::pair<std::string, std::string>> ManualExamples() {
  std::vector<std::pair<std::string, std::string>> examples;
  for (const LanguageWord& word : LanguageWords()) examples.emplace_back(word.name, WholeStack(word.example));
  for (const Operator& op : Operators()) {
    if (op.traits.internal()) continue;
    examples.emplace_back(op.name, WholeStack(ExampleStep(op), &op));
    for (int i = 0; i < op.message->field_count(); ++i) {
      examples.emplace_back(absl::StrCat(op.name, ".", op.message->field(i)->name()),
                            WholeStack(ExampleWith(op, op.message->field(i)), &op));
    }
  }
  return examples;
}

}  // namespace selvage::client
