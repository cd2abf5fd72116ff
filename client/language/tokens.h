// Words, numbers, texts and signs of a stack file. Goes on behind whatever is
// wrong, and says what would be right.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "absl/strings/string_view.h"

namespace selvage::client {

struct Token {
  enum Kind { kEnd, kWord, kNumber, kText, kSign };
  Kind kind = kEnd;
  size_t begin = 0, end = 0;  // offsets in the text
  absl::string_view text;

  bool is(char sign) const { return kind == kSign && text.size() == 1 && text[0] == sign; }
};

// Takes faults as they are found; each lies at an offset in the text.
class FaultSink {
 public:
  virtual ~FaultSink() = default;
  virtual void Blame(size_t at, const std::string& message) = 0;
};

class Tokens {
 public:
  // `text` and `faults` must outlive this.
  Tokens(absl::string_view text, FaultSink* faults);

  // The token that comes next, and the one that was taken last.
  const Token& next() const { return next_; }
  const Token& last() const { return last_; }
  Token Take();
  bool TakeIf(char sign);

  // `#00b140` where a colour is wanted; anywhere else it is a comment. REQUIRES:
  // the token taken last stands before it.
  bool TakeWebColor();

  // Whether nothing but blanks stands before it on its line.
  bool BeginsLine(size_t at) const;
  // Blanks before the first word of the line that `at` lies on.
  size_t Indent(size_t at) const;

 private:
  void Advance();
  void SkipBlanks();
  bool SkipForeignComment();
  size_t WordEnd() const;
  void Number();
  void Text();
  void CheckEscape(size_t at);
  void CurlyText();
  void Stranger();

  absl::string_view text_;
  FaultSink* faults_;
  size_t at_ = 0;
  Token next_, last_;
};

// The bytes of a text token without quotes and escapes.
std::string Unescaped(absl::string_view token);

}  // namespace selvage::client
