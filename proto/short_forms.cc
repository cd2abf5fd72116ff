#include "proto/short_forms.h"

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/values.pb.h"

namespace selvage {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

// Deeper than any stack, and no deeper than the parsers go.
constexpr int kMaxDepth = 64;
constexpr int kTab = 8;
constexpr size_t kMostFaults = 50;
// Beside letters and digits, in names and numbers.
constexpr absl::string_view kInWords = "_.+-";

TextPlace PlaceOf(const std::string& text, size_t at) {
  TextPlace place;
  size_t begin = 0;
  for (size_t i = text.find('\n'); i < at; i = text.find('\n', begin)) {
    begin = i + 1;
    ++place.line;
  }
  for (size_t i = begin; i < at; ++i) place.column += text[i] == '\t' ? kTab - place.column % kTab : 1;
  return place;
}

size_t OffsetOf(const std::string& text, TextPlace place) {
  size_t at = 0;
  for (int i = 0; i < place.line; ++i) {
    const size_t end = text.find('\n', at);
    if (end == std::string::npos) return text.size();
    at = end + 1;
  }
  for (int column = 0; column < place.column && at < text.size() && text[at] != '\n'; ++at) {
    column += text[at] == '\t' ? kTab - column % kTab : 1;
  }
  return at;
}

double LinearOf(int code) {
  const double v = code / 255.0;
  const double linear = v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4);
  // No more digits than the code has, so that every machine writes the same.
  return std::strtod(absl::StrFormat("%.6g", linear).c_str(), nullptr);
}

bool IsNumber(absl::string_view word) {
  if (!word.empty() && word.front() == '-') word.remove_prefix(1);
  word = absl::StripLeadingAsciiWhitespace(word);
  if (word.empty()) return false;
  return absl::ascii_isdigit(word.front()) || word.front() == '.' || absl::EqualsIgnoreCase(word, "nan") ||
         absl::EqualsIgnoreCase(word, "inf") || absl::EqualsIgnoreCase(word, "infinity");
}

// Walks over a text as far as it is one; stops where it is not.
class TextWalk {
 public:
  explicit TextWalk(const std::string& text) : text_(text) {}

  void Walk(const Descriptor* type) { Message(type, '\0', 0); }

  struct Change {
    size_t begin, end;
    std::string text;
  };
  std::vector<Change> changes;
  std::vector<std::pair<size_t, std::string>> faults;

 private:
  char At() const { return at_ < text_.size() ? text_[at_] : '\0'; }
  absl::string_view From(size_t begin) const { return absl::string_view(text_).substr(begin, at_ - begin); }

  void SkipBlanks() {
    while (at_ < text_.size() && absl::ascii_isspace(text_[at_])) ++at_;
  }
  void Skip() {
    for (SkipBlanks(); At() == '#'; SkipBlanks()) at_ = std::min(text_.find('\n', at_), text_.size());
  }
  bool Take(char c) {
    if (At() != c || at_ == text_.size()) return false;
    ++at_;
    return true;
  }

  // A name, a number or a word.
  absl::string_view Word() {
    const size_t begin = at_;
    Take('-');
    if (at_ > begin) SkipBlanks();
    while (at_ < text_.size() && (absl::ascii_isalnum(text_[at_]) || kInWords.find(text_[at_]) != kInWords.npos)) ++at_;
    return From(begin);
  }

  // A text in quotes, to its end on the same line.
  bool String() {
    const char quote = At();
    for (++at_; at_ < text_.size() && text_[at_] != quote; ++at_) {
      if (text_[at_] == '\n') return false;
      if (text_[at_] == '\\') ++at_;
    }
    return Take(quote);
  }

  bool Message(const Descriptor* type, char close, int depth) {
    if (depth > kMaxDepth) return false;
    for (Skip(); at_ < text_.size(); Skip()) {
      if (close != '\0' && Take(close)) return true;
      if (!Field(type, depth)) return false;
      Skip();
      if (!Take(',')) Take(';');
    }
    return close == '\0';
  }

  bool Field(const Descriptor* type, int depth) {
    const std::string name(Word());
    if (name.empty()) return false;
    const FieldDescriptor* f = type == nullptr ? nullptr : type->FindFieldByName(name);
    Skip();
    if (Take(':')) {
      SkipBlanks();
      if (f != nullptr && f->message_type() == Color::descriptor() && BareWebColor()) return true;
      Skip();
      return Value(f, depth);
    }
    return (At() == '{' || At() == '<' || At() == '[') && Value(f, depth);
  }

  bool Value(const FieldDescriptor* f, int depth) {
    const Descriptor* inner = f == nullptr ? nullptr : f->message_type();
    if (Take('{')) return Message(inner, '}', depth + 1);
    if (Take('<')) return Message(inner, '>', depth + 1);
    if (At() == '[') return f != nullptr && !f->is_repeated() && inner != nullptr ? Triple(f) : List(f, depth);
    const size_t begin = at_;
    if (At() == '"' || At() == '\'') {
      if (!Strings()) return false;
      if (inner == Color::descriptor()) QuotedColor(begin);
      if (inner == Number::descriptor()) Refuse(begin, f, "takes a number, without quotes");
      return true;
    }
    if (Word().empty()) return false;
    if (!IsNumber(From(begin))) return true;
    if (inner == Number::descriptor()) Replace(begin, absl::StrCat("{value: ", From(begin), "}"));
    if (inner == Color::descriptor()) {
      Replace(begin, absl::StrCat("{r: ", From(begin), " g: ", From(begin), " b: ", From(begin), "}"));
    }
    return true;
  }

  // Texts in a row are one.
  bool Strings() {
    size_t end = at_;
    while (At() == '"' || At() == '\'') {
      if (!String()) return false;
      end = at_;
      Skip();
    }
    at_ = end;
    return true;
  }

  bool List(const FieldDescriptor* f, int depth) {
    Take('[');
    for (Skip(); at_ < text_.size(); Skip()) {
      if (Take(']')) return true;
      if (!Value(f, depth)) return false;
      Skip();
      Take(',');
    }
    return false;
  }

  // Numbers in brackets where one value is wanted.
  bool Triple(const FieldDescriptor* f) {
    const size_t begin = at_;
    std::vector<size_t> marks = {at_++};
    int numbers = 0;
    for (Skip(); At() != ']'; Skip()) {
      const size_t word = at_;
      Word();
      if (!IsNumber(From(word))) return false;
      ++numbers;
      Skip();
      if (At() == ',') marks.push_back(at_++);
    }
    const size_t close = at_++;
    if (f->message_type() != Color::descriptor()) {
      Refuse(begin, f, absl::StrCat("takes one value, ", numbers, " are given"));
    } else if (numbers != 3 || marks.size() != 3) {
      Refuse(begin, f,
             absl::StrCat("takes three numbers, red, green and blue: [0.1, 0.6, 0.2]; ", numbers, " are given"));
    } else {
      const char* parts[] = {"{r: ", " g: ", " b: "};
      for (int i = 0; i < 3; ++i) changes.push_back({marks[i], marks[i] + 1, parts[i]});
      changes.push_back({close, close + 1, "}"});
    }
    return true;
  }

  // `color: #00b140`, which is a comment anywhere else.
  bool BareWebColor() {
    double rgb[3];
    if (!ParseWebColor(absl::string_view(text_).substr(at_, 7), rgb)) return false;
    if (at_ + 7 < text_.size() && absl::ascii_isalnum(text_[at_ + 7])) return false;
    const size_t begin = at_;
    at_ += 7;
    ReplaceByColor(begin, rgb);
    return true;
  }

  void QuotedColor(size_t begin) {
    double rgb[3];
    if (ParseWebColor(From(begin).substr(1, at_ - begin - 2), rgb)) {
      ReplaceByColor(begin, rgb);
    } else {
      Blame(begin, absl::StrCat(From(begin),
                                " is no colour: write \"#rrggbb\" with two hexadecimal digits "
                                "each, or three numbers: [0.1, 0.6, 0.2]"));
      Replace(begin, "{}");
    }
  }

  void ReplaceByColor(size_t begin, const double rgb[3]) {
    Replace(begin, absl::StrFormat("{r: %.6g g: %.6g b: %.6g}", rgb[0], rgb[1], rgb[2]));
  }
  void Replace(size_t begin, std::string by) { changes.push_back({begin, at_, std::move(by)}); }
  // What is refused is blanked out, so that the parser goes on behind it.
  void Refuse(size_t begin, const FieldDescriptor* f, absl::string_view why) {
    Blame(begin, absl::StrCat("`", std::string(f->name()), "` ", why));
    // Line by line, so that lines stay what they are.
    const char* by = "{}";
    for (size_t from = begin; from < at_; by = "") {
      const size_t end = std::min(text_.find('\n', from), at_);
      changes.push_back({from, end, by});
      from = end + 1;
    }
  }
  void Blame(size_t begin, std::string why) {
    if (faults.size() < kMostFaults) faults.emplace_back(begin, std::move(why));
  }

  const std::string& text_;
  size_t at_ = 0;
};

}  // namespace

bool ParseWebColor(absl::string_view text, double rgb[3]) {
  if (text.size() != 7 || text[0] != '#') return false;
  for (const char c : text.substr(1)) {
    if (!absl::ascii_isxdigit(c)) return false;
  }
  const std::string bytes = absl::HexStringToBytes(text.substr(1));
  for (int i = 0; i < 3; ++i) rgb[i] = LinearOf(static_cast<unsigned char>(bytes[i]));
  return true;
}

absl::StatusOr<Expanded> ExpandShortForms(absl::string_view text, const Descriptor* type) {
  if (text.size() > kMaxStackText) {
    return absl::InvalidArgumentError(
        absl::StrCat("the text has ", text.size() >> 20, " MiB, allowed are ", kMaxStackText >> 20, " MiB"));
  }
  Expanded out;
  out.original = std::string(text);
  TextWalk walk(out.original);
  walk.Walk(type);
  size_t from = 0;
  for (const auto& change : walk.changes) {
    out.text.append(out.original, from, change.begin - from);
    out.edits.push_back({out.text.size(), change.text.size(), change.begin, change.end - change.begin});
    out.text += change.text;
    from = change.end;
  }
  out.text.append(out.original, from);
  for (auto& [at, message] : walk.faults) out.faults.push_back({PlaceOf(out.original, at), std::move(message)});
  return out;
}

TextPlace Expanded::Original(TextPlace place) const {
  const size_t at = OffsetOf(text, place);
  const auto next =
      std::upper_bound(edits.begin(), edits.end(), at, [](size_t a, const Edit& e) { return a < e.begin; });
  if (next == edits.begin()) return PlaceOf(original, at);
  const Edit& e = *std::prev(next);
  // Inside of what was written out: where the short form began.
  if (at < e.begin + e.size) return PlaceOf(original, e.old_begin);
  return PlaceOf(original, at - (e.begin + e.size) + e.old_begin + e.old_size);
}

}  // namespace selvage
