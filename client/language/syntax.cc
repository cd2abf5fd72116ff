#include "client/language/syntax.h"

#include <algorithm>
#include <map>
#include <set>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/language/field_names.h"
#include "client/language/tokens.h"
#include "client/utf8.h"
#include "client/language/values.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

// No deeper than protobuf's parser goes.
constexpr size_t kMostBlocks = 60;

// A block that is open: `levels {` and what was seen in it.
struct Block {
  // nullptr: of an unknown field, nothing in it is judged.
  const Descriptor* type = nullptr;
  std::string name;  // "levels"; "" for the text itself
  size_t begin = 0;  // of its name
  char close = 0;
  int place = -1;
  // Fields so far, with where they were given first.
  std::map<const FieldDescriptor*, std::pair<int, size_t>> seen;
};

class Reader : public FaultSink {
 public:
  Reader(absl::string_view text, const Descriptor* type)
      : text_(text), lines_(text), tokens_(text, this), values_(&tokens_, this) {
    places_.push_back({});
    Block all;
    all.type = type;
    all.place = 0;
    open_.push_back(all);
  }

  Syntax Read() {
    while (found_.size() < 4 * kMostSyntaxFaults && Next()) {
    }
    Syntax out;
    for (const auto& [at, message] : found_) {
      if (out.faults.size() == kMostSyntaxFaults) break;
      const auto [line, column] = lines_.At(at);
      out.faults.push_back({line, column, "", message});
    }
    out.places = std::move(places_);
    out.text = values_.Rewritten(text_);
    return out;
  }

  void Blame(size_t at, const std::string& message) override { found_.emplace(at, message); }

 private:
  Block& block() { return open_.back(); }

  // One field, or the end of a block. False at the end.
  bool Next() {
    const Token& next = tokens_.next();
    if (next.kind == Token::kEnd) {
      while (open_.size() > 1) LeaveUnclosed(text_.size());
      return false;
    }
    if (open_.size() > kMostBlocks) {
      Blame(next.begin, absl::StrCat("blocks are nested too deeply: at most ", kMostBlocks));
      return false;
    }
    if (next.kind == Token::kWord) {
      Field();
      if (!tokens_.TakeIf(',')) tokens_.TakeIf(';');
    } else if (next.is('}') || next.is('>')) {
      Close();
    } else {
      Stray();
    }
    return true;
  }

  // --- blocks ---

  void Open(const FieldDescriptor* field, const Token& name, int place) {
    Block inner;
    inner.type = field == nullptr ? nullptr : field->message_type();
    inner.name = std::string(name.text);
    inner.begin = name.begin;
    if (place >= 0) Place(place).value = tokens_.next().begin;
    inner.close = tokens_.Take().is('<') ? '>' : '}';
    inner.place = place;
    open_.push_back(std::move(inner));
  }

  void Close() {
    const Token brace = tokens_.Take();
    if (open_.size() == 1) {
      Blame(brace.begin, absl::StrCat("this ", brace.text, " closes nothing: there is one too many here or above"));
    } else {
      if (!brace.is(block().close)) {
        Blame(brace.begin, absl::StrCat("`", block().name, "` began with another kind of brace: close it with ",
                                        std::string(1, block().close)));
      }
      // A brace further left than its block began belongs to a block further out.
      const bool odd = tokens_.BeginsLine(brace.begin) && tokens_.Indent(brace.begin) < tokens_.Indent(block().begin);
      if (odd) suspect_ = {block().name, block().begin};
      if (block().place >= 0) Place(block().place).end = brace.end;
      open_.pop_back();
    }
    if (!tokens_.TakeIf(',')) tokens_.TakeIf(';');
  }

  // The innermost block has no end before `at`.
  void LeaveUnclosed(size_t at) {
    std::string name = block().name;
    size_t begin = block().begin;
    if (suspect_.second > begin) std::tie(name, begin) = suspect_;
    const int line = lines_.At(begin).first;
    const std::string until = at >= text_.size() ? "the end of the file" : absl::StrCat("line ", lines_.At(at).first);
    Blame(begin, absl::StrCat("the block `", name, " {` that begins on line ", line,
                              " is never closed: add a } before ", until));
    suspect_ = {};
    if (block().place >= 0) Place(block().place).end = at;
    open_.pop_back();
  }

  // The innermost open block, but for the last one, that has such a field; 0: none.
  size_t OuterWith(absl::string_view name) const {
    for (size_t i = open_.size() - 1; i-- > 0;) {
      if (open_[i].type != nullptr && open_[i].type->FindFieldByName(std::string(name)) != nullptr) return i + 1;
    }
    return 0;
  }

  // A field that only a block further out has, on a line of its own and no further
  // in than that block: the blocks between were not closed.
  void CloseForgotten() {
    const Token& name = tokens_.next();
    if (block().type == nullptr || block().type->FindFieldByName(std::string(name.text)) != nullptr) return;
    const size_t outer = OuterWith(name.text);
    if (outer == 0 || !tokens_.BeginsLine(name.begin)) return;
    if (tokens_.Indent(name.begin) > tokens_.Indent(block().begin)) return;
    while (open_.size() > outer) LeaveUnclosed(name.begin);
  }

  // --- fields ---

  void Field() {
    CloseForgotten();
    const Token name = tokens_.Take();
    const FieldDescriptor* field =
        block().type == nullptr ? nullptr : block().type->FindFieldByName(std::string(name.text));
    const bool judged = block().type != nullptr;
    if (judged && field == nullptr) {
      std::vector<Enclosing> around;
      for (const Block& b : open_) around.push_back({b.type, b.name});
      Blame(name.begin, UnknownField(std::string(name.text), around));
    }
    const int place = field == nullptr ? -1 : Note(field, name);
    bool colon = tokens_.TakeIf(':');
    if (!colon && tokens_.next().is('=')) {
      Blame(tokens_.Take().begin, absl::StrCat("write a colon instead of =: `", name.text, ": ...`"));
      colon = true;
    }
    if (judged && field != nullptr) {
      Value(field, name, colon, place);
    } else {
      Skip(name, colon);
    }
  }

  // Where it stands; blames a second one where there can be only one.
  int Note(const FieldDescriptor* field, const Token& name) {
    auto& [count, first] = block().seen.try_emplace(field, 0, name.begin).first->second;
    if (count > 0 && !field->is_repeated()) {
      Blame(name.begin,
            absl::StrCat("`", name.text, "` is given twice; the first is on line ", lines_.At(first).first));
    }
    if (const auto* group = field->real_containing_oneof(); group != nullptr && count == 0) {
      for (int i = 0; i < group->field_count(); ++i) {
        if (group->field(i) == field || !block().seen.count(group->field(i))) continue;
        Blame(name.begin, TwoOfOne(field, group->field(i), lines_.At(block().seen[group->field(i)].second).first));
      }
    }
    places_.push_back({block().place, field, count++, name.begin, name.end, name.end});
    return static_cast<int>(places_.size()) - 1;
  }

  void Value(const FieldDescriptor* field, const Token& name, bool colon, int place) {
    const bool block_follows = tokens_.next().is('{') || tokens_.next().is('<');
    if (field->message_type() != nullptr) {
      if (block_follows) return Open(field, name, place);
      if (field->is_repeated() && tokens_.next().is('[')) return BlockList(field, name, place);
      Place(place).value = tokens_.next().begin;
      values_.Short(field, name, colon);
      return EndAtLast(place);
    }
    if (block_follows) {
      Blame(tokens_.next().begin, absl::StrCat("`", name.text, "` has no block: write ", ExampleOf(field)));
      return Open(nullptr, name, -1);
    }
    Place(place).value = tokens_.next().begin;
    values_.Plain(field, name, colon);
    EndAtLast(place);
  }

  FieldPlace& Place(int place) { return places_[static_cast<size_t>(place)]; }

  // The value of that field is what was taken last. A web colour is no token where it begins.
  void EndAtLast(int place) {
    FieldPlace& p = Place(place);
    p.value = std::min(p.value, tokens_.last().begin);
    p.end = std::max(p.end, tokens_.last().end);
  }

  // `at [{ frame: 1 }, { frame: 2 }]`.
  void BlockList(const FieldDescriptor* field, const Token& name, int place) {
    const size_t begin = tokens_.Take().begin;
    const size_t depth = open_.size();
    bool first = true;
    while (!tokens_.TakeIf(']')) {
      if (!tokens_.next().is('{') && !tokens_.next().is('<')) {
        return Blame(begin, absl::StrCat("the list of `", name.text, "` that begins here is not right: write `",
                                         name.text, " { ... }` as often as needed"));
      }
      const int entry = first ? place : Note(field, name);
      Place(entry).listed = true;
      Open(field, name, entry);
      first = false;
      while (open_.size() > depth) {
        if (!Next()) return;
      }
      tokens_.TakeIf(',');
    }
  }

  // The value of a field that is not known.
  void Skip(const Token& name, bool colon) {
    if (tokens_.next().is('{') || tokens_.next().is('<')) return Open(nullptr, name, -1);
    if (colon) values_.SkipOne();
  }

  // What is neither a field nor the end of a block.
  void Stray() {
    const Token token = tokens_.Take();
    const bool decimal_comma = token.kind == Token::kNumber && token.begin > 1 && text_[token.begin - 1] == ',';
    if (token.is('{')) {
      Blame(token.begin, "a name is missing before this {, as in `pass {`");
      open_.push_back({});
      block().name = "{";
      block().begin = token.begin;
      block().close = '}';
      block().place = -1;
    } else if (decimal_comma) {
      Blame(token.begin, "a number has a decimal point, not a comma, as in 0.5");
    } else if (token.is(',') || token.is(';')) {
      Blame(token.begin, absl::StrCat("this ", token.text, " is one too many"));
    } else {
      Blame(token.begin,
            absl::StrCat("expected the name of a field, as in `name:` or `pass {`, and found ", token.text));
      while (!tokens_.BeginsLine(tokens_.next().begin) && tokens_.next().kind != Token::kEnd &&
             tokens_.next().kind != Token::kWord && !tokens_.next().is('}')) {
        tokens_.Take();
      }
    }
  }

  absl::string_view text_;
  LineIndex lines_;
  // By offset; the same fault is found twice where a text is read twice.
  std::set<std::pair<size_t, std::string>> found_;
  Tokens tokens_;
  Values values_;
  std::vector<Block> open_;
  std::vector<FieldPlace> places_;
  // The last block whose closing brace stands too far left.
  std::pair<std::string, size_t> suspect_;
};

}  // namespace

LineIndex::LineIndex(absl::string_view text) : text_(text) {
  begins_.push_back(0);
  for (size_t at = text.find('\n'); at != absl::string_view::npos; at = text.find('\n', at + 1)) {
    begins_.push_back(at + 1);
  }
}

std::pair<int, int> LineIndex::At(size_t offset) const {
  const auto next = std::upper_bound(begins_.begin(), begins_.end(), offset);
  const size_t begin = *std::prev(next);
  return {static_cast<int>(next - begins_.begin()),
          static_cast<int>(CharactersBefore(text_.substr(begin), offset - begin)) + 1};
}

Syntax ReadSyntax(absl::string_view text, const Descriptor* type) { return Reader(text, type).Read(); }

}  // namespace selvage::client
