#include "client/language/tokens.h"

#include <algorithm>

#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/utf8.h"
#include "proto/short_forms.h"

namespace selvage::client {
namespace {

bool InWord(char c) { return absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '_'; }
bool IsDigit(char c) { return absl::ascii_isdigit(static_cast<unsigned char>(c)); }
bool IsBlank(char c) { return absl::ascii_isspace(static_cast<unsigned char>(c)); }

// Quotes of typesetters: opening and closing ones, also as apostrophes.
constexpr absl::string_view kCurlyQuotes[] = {"\u201c", "\u201d", "\u201e", "\u201f", "\u2018",
                                              "\u2019", "\u201a", "\u00ab", "\u00bb"};

// Bytes of the curly quote that `text` begins with, or 0.
size_t CurlyQuote(absl::string_view text) {
  for (absl::string_view quote : kCurlyQuotes) {
    if (text.substr(0, quote.size()) == quote) return quote.size();
  }
  return 0;
}

}  // namespace

Tokens::Tokens(absl::string_view text, FaultSink* faults) : text_(text), faults_(faults) { Advance(); }

Token Tokens::Take() {
  last_ = next_;
  Advance();
  return last_;
}

bool Tokens::TakeIf(char sign) {
  if (!next_.is(sign)) return false;
  Take();
  return true;
}

bool Tokens::TakeWebColor() {
  size_t at = last_.end;
  while (at < text_.size() && IsBlank(text_[at])) ++at;
  double rgb[3];
  if (!ParseWebColor(text_.substr(std::min(at, text_.size()), 7), rgb)) return false;
  if (at + 7 < text_.size() && InWord(text_[at + 7])) return false;
  last_ = {Token::kText, at, at + 7, text_.substr(at, 7)};
  at_ = at + 7;
  Advance();
  return true;
}

bool Tokens::BeginsLine(size_t at) const {
  while (at > 0 && text_[at - 1] != '\n') {
    if (!IsBlank(text_[--at])) return false;
  }
  return true;
}

size_t Tokens::Indent(size_t at) const {
  const size_t newline = at == 0 ? absl::string_view::npos : text_.rfind('\n', at - 1);
  const size_t begin = newline == absl::string_view::npos ? 0 : newline + 1;
  size_t indent = 0;
  while (begin + indent < text_.size() && (text_[begin + indent] == ' ' || text_[begin + indent] == '\t')) ++indent;
  return indent;
}

void Tokens::SkipBlanks() {
  while (at_ < text_.size()) {
    if (IsBlank(text_[at_])) {
      ++at_;
    } else if (text_[at_] == '#') {
      at_ = std::min(text_.find('\n', at_), text_.size());
    } else if (text_[at_] != '/' || !SkipForeignComment()) {
      return;
    }
  }
}

bool Tokens::SkipForeignComment() {
  const absl::string_view rest = text_.substr(at_, 2);
  if (rest != "//" && rest != "/*") return false;
  faults_->Blame(at_, absl::StrCat("a comment begins with #, not with ", rest));
  const absl::string_view close = rest == "//" ? "\n" : "*/";
  const size_t end = text_.find(close, at_ + 2);
  at_ = end == absl::string_view::npos ? text_.size() : end + (rest == "//" ? 0 : 2);
  return true;
}

size_t Tokens::WordEnd() const {
  size_t end = at_;
  while (end < text_.size() && InWord(text_[end])) ++end;
  return end;
}

void Tokens::Advance() {
  SkipBlanks();
  next_ = {Token::kEnd, at_, at_, text_.substr(at_, 0)};
  if (at_ >= text_.size()) return;
  const size_t begin = at_;
  const char c = text_[at_];
  if (IsDigit(c) || (c == '.' && at_ + 1 < text_.size() && IsDigit(text_[at_ + 1]))) {
    next_.kind = Token::kNumber;
    Number();
  } else if (InWord(c)) {
    next_.kind = Token::kWord;
    at_ = WordEnd();
  } else if (c == '"' || c == '\'') {
    next_.kind = Token::kText;
    Text();
  } else if (static_cast<unsigned char>(c) < 0x80) {
    next_.kind = Token::kSign;
    ++at_;
  } else if (CurlyQuote(text_.substr(at_)) > 0) {
    next_.kind = Token::kText;
    CurlyText();
  } else {
    Stranger();
    return Advance();
  }
  next_.begin = begin;
  next_.end = at_;
  next_.text = text_.substr(begin, at_ - begin);
}

void Tokens::Number() {
  const size_t begin = at_;
  while (at_ < text_.size()) {
    const bool exponent_sign = (text_[at_] == '-' || text_[at_] == '+') && (text_[at_ - 1] | 0x20) == 'e';
    if (!InWord(text_[at_]) && text_[at_] != '.' && !(exponent_sign && at_ > begin)) break;
    ++at_;
  }
  const absl::string_view number = text_.substr(begin, at_ - begin);
  size_t plain = number.find_first_not_of("0123456789.");
  if (plain != absl::string_view::npos && (number[plain] | 0x20) == 'e') {
    const size_t digits = number.find_first_not_of("+-", plain + 1);
    const size_t behind = number.find_first_not_of("0123456789", digits);
    if (digits != absl::string_view::npos && digits <= plain + 2 && IsDigit(number[digits])) plain = behind;
  }
  if (plain != absl::string_view::npos) {
    faults_->Blame(begin, absl::StrCat("\"", number, "\" is not a number: write it in decimal and without a unit",
                                       plain > 0 && number.substr(0, plain) != "0"
                                           ? absl::StrCat(", as in ", number.substr(0, plain))
                                           : ""));
  } else if (std::count(number.begin(), number.end(), '.') > 1) {
    faults_->Blame(begin, absl::StrCat("\"", number, "\" is not a number: it has two decimal points"));
  } else if (number.size() > 1 && number[0] == '0' && IsDigit(number[1])) {
    const size_t first = std::min(number.find_first_not_of('0'), number.size() - 1);
    faults_->Blame(begin, absl::StrCat("a number is written without zeros before it: ",
                                       IsDigit(number[first]) ? "" : "0", number.substr(first)));
  }
}

void Tokens::Text() {
  const size_t begin = at_;
  const char quote = text_[at_++];
  while (at_ < text_.size() && text_[at_] != quote && text_[at_] != '\n') {
    if (text_[at_] == '\\') CheckEscape(at_++);
    if (at_ < text_.size() && text_[at_] != '\n') ++at_;
  }
  if (at_ < text_.size() && text_[at_] == quote) {
    ++at_;
    return;
  }
  faults_->Blame(begin, absl::StrCat("the text that begins here has no closing ", std::string(1, quote),
                                     " on its line; a text lies between two quotes on one line"));
}

void Tokens::CheckEscape(size_t at) {
  constexpr absl::string_view kKnown = "abfnrtv\\'\"?01234567xuU";
  if (at + 1 < text_.size() && kKnown.find(text_[at + 1]) != absl::string_view::npos) return;
  faults_->Blame(at, "a backslash in a text is written twice: \\\\ (paths have / between folders)");
}

void Tokens::CurlyText() {
  const size_t begin = at_;
  const size_t line_end = std::min(text_.find('\n', begin), text_.size());
  at_ += CurlyQuote(text_.substr(at_));
  while (at_ < line_end && CurlyQuote(text_.substr(at_)) == 0 && text_[at_] != '"') ++at_;
  const std::string inside(text_.substr(begin, at_ - begin));
  const size_t skip = CurlyQuote(inside);
  if (at_ < line_end) at_ += std::max<size_t>(1, CurlyQuote(text_.substr(at_)));
  faults_->Blame(
      begin, absl::StrCat("curly quotes are not understood: write straight ones, \"", inside.substr(skip, 60), "\""));
}

void Tokens::Stranger() {
  const size_t size = Utf8Size(text_[at_]);
  const absl::string_view bytes = text_.substr(at_, size);
  const uint32_t code = CodePoint(bytes);
  if (code == 0x2013 || code == 0x2014 || code == 0x2212) {
    faults_->Blame(at_, absl::StrCat("\"", bytes, "\" is a dash: write a plain minus, -"));
  } else if (code == 0xa0 || (code >= 0x2000 && code <= 0x200b) || code == 0x202f || code == 0xfeff) {
    faults_->Blame(at_, absl::StrFormat("a special space (U+%04X) stands here: write a plain one", code));
  } else {
    faults_->Blame(at_,
                   absl::StrCat("\"", bytes, "\" has no meaning here; only texts in quotes and comments may hold it"));
  }
  at_ += bytes.size();
}

std::string Unescaped(absl::string_view token) {
  std::string out;
  if (token.size() >= 2) absl::CUnescape(token.substr(1, token.size() - 2), &out);
  return out;
}

}  // namespace selvage::client
