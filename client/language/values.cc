#include "client/language/values.h"

#include <limits>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "client/language/choices.h"
#include "client/language/field_names.h"
#include "client/utf8.h"
#include "proto/short_forms.h"
#include "proto/values.pb.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;

bool IsNumberWord(const Token& token) {
  return token.kind == Token::kWord &&
         (absl::EqualsIgnoreCase(token.text, "inf") || absl::EqualsIgnoreCase(token.text, "infinity") ||
          absl::EqualsIgnoreCase(token.text, "nan"));
}

// Whether a whole number fits the field's type; sign and digits.
bool Fits(const FieldDescriptor* field, const std::string& number) {
  int64_t i;
  uint64_t u;
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_INT32:
      return absl::SimpleAtoi(number, &i) && i >= INT32_MIN && i <= INT32_MAX;
    case FieldDescriptor::CPPTYPE_INT64:
      return absl::SimpleAtoi(number, &i);
    case FieldDescriptor::CPPTYPE_UINT32:
      return absl::SimpleAtoi(number, &u) && u <= UINT32_MAX;
    case FieldDescriptor::CPPTYPE_UINT64:
      return absl::SimpleAtoi(number, &u);
    default:
      return true;
  }
}

bool IsWhole(const FieldDescriptor* field) {
  return field->cpp_type() != FieldDescriptor::CPPTYPE_DOUBLE && field->cpp_type() != FieldDescriptor::CPPTYPE_FLOAT &&
         field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE;
}

}  // namespace

bool Values::NumberNext() const {
  const Token& next = tokens_->next();
  return next.kind == Token::kNumber || next.is('-') || next.is('+') || IsNumberWord(next);
}

void Values::NeedColon(const FieldDescriptor* field, const Token& name, bool colon) {
  // What is no value at all is blamed by itself.
  const Token& next = tokens_->next();
  if (colon || next.kind == Token::kEnd || next.is('}') || next.is('>')) return;
  faults_->Blame(name.begin, absl::StrCat("a colon is missing after `", name.text, "`: write ", ExampleOf(field)));
}

void Values::Plain(const FieldDescriptor* field, const Token& name, bool colon) {
  NeedColon(field, name, colon);
  if (!tokens_->next().is('[')) return One(field, name);
  const Token bracket = tokens_->Take();
  if (!field->is_repeated()) {
    faults_->Blame(bracket.begin, absl::StrCat("`", name.text, "` takes one value, not a list: ", ExampleOf(field)));
  }
  while (!tokens_->TakeIf(']')) {
    const size_t before = tokens_->next().begin;
    One(field, name);
    tokens_->TakeIf(',');
    if (tokens_->next().begin == before || tokens_->next().kind == Token::kEnd) {
      return faults_->Blame(bracket.begin, "the list that begins here is never closed: add a ]");
    }
  }
}

void Values::One(const FieldDescriptor* field, const Token& name) {
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_STRING:
      if (tokens_->next().kind == Token::kText) return TextValue(name);
      return Refuse(field, name, "a text in quotes");
    case FieldDescriptor::CPPTYPE_ENUM:
      return Choice(field, name);
    case FieldDescriptor::CPPTYPE_BOOL:
      return Bool(name);
    default:
      return NumberValue(field, name);
  }
}

void Values::TextValue(const Token& name) {
  std::string text;
  const size_t begin = tokens_->next().begin;
  while (tokens_->next().kind == Token::kText) {
    const Token token = tokens_->Take();
    // Others are blamed for their quotes already.
    if (token.text[0] == '"' || token.text[0] == '\'') text += Unescaped(token.text);
  }
  if (InvalidUtf8At(text) != absl::string_view::npos) {
    faults_->Blame(begin,
                   absl::StrCat("`", name.text, "` holds bytes that are no text; write the characters themselves ",
                                "instead of \\ and numbers"));
  }
}

void Values::Choice(const FieldDescriptor* field, const Token& name) {
  const Token& next = tokens_->next();
  const absl::string_view word =
      next.kind == Token::kText && next.text.size() > 2 ? next.text.substr(1, next.text.size() - 2) : next.text;
  const auto* choice = FindChoice(field->enum_type(), word);
  if (next.kind == Token::kText && choice != nullptr) {
    faults_->Blame(next.begin, absl::StrCat("write ", name.text, ": ", word, " without quotes"));
    tokens_->Take();
  } else if (next.kind == Token::kWord && choice != nullptr) {
    if (next.text != choice->name()) rewrites_.push_back({next.begin, next.end, choice->name()});
    tokens_->Take();
  } else if (next.kind == Token::kWord) {
    faults_->Blame(next.begin,
                   absl::StrCat("`", name.text, "` cannot be ", word, ChoiceHelp(field->enum_type(), word)));
    tokens_->Take();
  } else {
    Refuse(field, name, absl::StrCat("one of its choices", ChoiceHelp(field->enum_type(), "")));
  }
}

void Values::Bool(const Token& name) {
  const Token next = tokens_->next();
  const absl::string_view known[] = {"true", "false", "True", "False", "t", "f"};
  for (absl::string_view word : known) {
    if (next.kind != Token::kWord || next.text != word) continue;
    tokens_->Take();
    return;
  }
  const bool value = next.kind == Token::kWord || next.kind == Token::kNumber || next.kind == Token::kText;
  faults_->Blame(value ? next.begin : name.begin,
                 absl::StrCat("`", name.text, "` is true or false",
                              value ? absl::StrCat(", and ", next.text, " is given") : ": a value is missing"));
  if (value) tokens_->Take();
}

void Values::NumberValue(const FieldDescriptor* field, const Token& name) {
  const std::string wanted = IsWhole(field) ? "a whole number" : "a number";
  if (!NumberNext()) return Refuse(field, name, wanted);
  const size_t begin = tokens_->next().begin;
  if (tokens_->next().is('+')) {
    faults_->Blame(begin, "a number is written without +");
    tokens_->Take();
  }
  const bool minus = tokens_->TakeIf('-');
  if (tokens_->next().kind != Token::kNumber && !IsNumberWord(tokens_->next())) {
    return Refuse(field, name, wanted);
  }
  const std::string text = absl::StrCat(minus ? "-" : "", tokens_->Take().text);
  if (!IsWhole(field)) return;
  if (text.find_first_of(".eEiInN") != std::string::npos) {
    faults_->Blame(begin, absl::StrCat("`", name.text, "` takes a whole number, and ", text, " is given"));
  } else if (!Fits(field, text)) {
    const bool unsigned_field =
        field->cpp_type() == FieldDescriptor::CPPTYPE_UINT32 || field->cpp_type() == FieldDescriptor::CPPTYPE_UINT64;
    faults_->Blame(
        begin, absl::StrCat("`", name.text, "`: ", text, minus && unsigned_field ? " is below 0" : " is too large"));
  }
}

void Values::Short(const FieldDescriptor* field, const Token& name, bool colon) {
  const bool number = field->message_type() == Number::descriptor();
  const bool color = field->message_type() == Color::descriptor();
  if (color && colon && tokens_->TakeWebColor()) return;
  if (!number && !color) {
    return Refuse(field, name, absl::StrCat("a block: ", ExampleOf(field)));
  }
  NeedColon(field, name, colon);
  if (tokens_->next().is('[')) return Triple(field, name);
  if (color && tokens_->next().kind == Token::kText) return WebColor(name);
  if (tokens_->next().kind == Token::kText) return Refuse(field, name, "a number, without quotes");
  if (NumberNext()) return NumberValue(field, name);
  Refuse(field, name, number ? "a number" : "a colour, as in [0.1, 0.6, 0.2] or \"#00b140\"");
}

void Values::Triple(const FieldDescriptor* field, const Token& name) {
  const Token bracket = tokens_->Take();
  int numbers = 0;
  while (!tokens_->next().is(']')) {
    if (!NumberNext()) {
      faults_->Blame(bracket.begin,
                     absl::StrCat("`", name.text, "` takes three numbers, red, green and blue: ", "[0.1, 0.6, 0.2]"));
      return;
    }
    NumberValue(field, name);
    ++numbers;
    if (!tokens_->TakeIf(',') && NumberNext()) {
      faults_->Blame(tokens_->next().begin, "a comma is missing before this number, as in [0.1, 0.6, 0.2]");
    }
  }
  tokens_->Take();
  const bool color = field->message_type() == Color::descriptor();
  if (!color) {
    faults_->Blame(bracket.begin, absl::StrCat("`", name.text, "` takes one number, and ", numbers, " are given"));
  } else if (numbers != 3) {
    faults_->Blame(bracket.begin, absl::StrCat("`", name.text, "` takes three numbers, red, green and blue: ",
                                               "[0.1, 0.6, 0.2]; ", numbers, " are given"));
  }
}

void Values::WebColor(const Token& name) {
  const Token text = tokens_->Take();
  double rgb[3];
  if (text.text.size() >= 2 && ParseWebColor(text.text.substr(1, text.text.size() - 2), rgb)) return;
  faults_->Blame(text.begin, absl::StrCat(text.text, " is not a colour: write ", name.text,
                                          ": \"#00b140\", or three numbers: [0.1, 0.6, 0.2]"));
}

void Values::Refuse(const FieldDescriptor* field, const Token& name, const std::string& wanted) {
  const Token next = tokens_->next();
  const bool missing = next.kind == Token::kEnd || next.is('}') || next.is('>') || next.is(',') || next.is(';') ||
                       (next.kind == Token::kWord && tokens_->BeginsLine(next.begin));
  if (missing) {
    faults_->Blame(name.begin, absl::StrCat("`", name.text, "` has no value: it takes ", wanted));
    return;
  }
  const bool text = field->cpp_type() == FieldDescriptor::CPPTYPE_STRING;
  const std::string write = text && next.kind != Token::kSign
                                ? absl::StrCat(": write ", name.text, ": \"", next.text, "\"")
                                : absl::StrCat(", and ", next.text, " is given");
  faults_->Blame(next.begin, absl::StrCat("`", name.text, "` takes ", wanted, write));
  SkipOne();
}

void Values::SkipOne() {
  tokens_->TakeIf('-');
  const Token& next = tokens_->next();
  if (next.is('[')) {
    for (int depth = 0; tokens_->next().kind != Token::kEnd;) {
      const Token token = tokens_->Take();
      depth += token.is('[') - token.is(']');
      if (depth == 0) return;
    }
  } else if (next.kind == Token::kText) {
    while (tokens_->next().kind == Token::kText) tokens_->Take();
  } else if (next.kind == Token::kNumber || (next.kind == Token::kWord && !tokens_->BeginsLine(next.begin))) {
    tokens_->Take();
  } else if (next.kind == Token::kSign && !next.is('}') && !next.is('>') && !next.is('{')) {
    tokens_->Take();
  }
}

std::string Values::Rewritten(absl::string_view text) const {
  std::string out;
  size_t from = 0;
  for (const Rewrite& r : rewrites_) {
    absl::StrAppend(&out, text.substr(from, r.begin - from), r.by);
    from = r.end;
  }
  absl::StrAppend(&out, text.substr(from));
  return out;
}

}  // namespace selvage::client
