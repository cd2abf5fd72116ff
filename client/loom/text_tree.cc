#include "client/loom/text_tree.h"

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "client/language/tokens.h"
#include "proto/stack.pb.h"

namespace selvage::client {
namespace {

// What is read here has been judged already.
class Silent final : public FaultSink {
 public:
  void Blame(size_t, const std::string&) override {}
};

}  // namespace

absl::StatusOr<std::vector<PathPart>> ParsePath(absl::string_view path) {
  std::vector<PathPart> parts;
  for (absl::string_view piece : absl::StrSplit(path, '.')) {
    PathPart part;
    const size_t bracket = piece.find('[');
    part.name = std::string(piece.substr(0, bracket));
    int index = 0;
    const bool listed = bracket != absl::string_view::npos;
    const bool right =
        !listed || (piece.back() == ']' &&
                    absl::SimpleAtoi(piece.substr(bracket + 1, piece.size() - bracket - 2), &index) && index >= 0);
    if (part.name.empty() || !right || parts.size() > 60) {
      return absl::InvalidArgumentError(absl::StrCat("\"", path.substr(0, 200), "\" is no path to a field"));
    }
    if (listed) part.index = index;
    parts.push_back(std::move(part));
  }
  return parts;
}

TextTree::TextTree(absl::string_view text) : text_(text) { Build(ReadSyntax(text, Stack::descriptor()).places); }

TextTree::TextTree(absl::string_view text, const std::vector<FieldPlace>& places) : text_(text) { Build(places); }

void TextTree::Build(const std::vector<FieldPlace>& places) {
  nodes_.resize(places.size());
  for (size_t i = 0; i < places.size(); ++i) {
    nodes_[i].place = places[i];
    if (i == kRoot) {
      nodes_[i].type = Stack::descriptor();
      nodes_[i].place.end = text_.size();
      continue;
    }
    nodes_[i].type = places[i].field->message_type();
    if (places[i].parent >= 0) nodes_[static_cast<size_t>(places[i].parent)].children.push_back(static_cast<int>(i));
  }
}

int TextTree::Child(int block, absl::string_view field, int index) const {
  for (int c : node(block).children) {
    if (node(c).place.index == index && node(c).place.field->name() == field) return c;
  }
  return -1;
}

std::vector<int> TextTree::Children(int block, absl::string_view field) const {
  std::vector<int> found;
  for (int c : node(block).children) {
    if (node(c).place.field->name() == field) found.push_back(c);
  }
  return found;
}

std::string TextTree::PathOf(int i) const {
  if (i == kRoot) return "";
  const FieldPlace& p = node(i).place;
  std::string path = PathOf(p.parent);
  absl::StrAppend(&path, path.empty() ? "" : ".", p.field->name());
  if (p.field->is_repeated()) absl::StrAppend(&path, "[", p.index, "]");
  return path;
}

absl::string_view TextTree::Whole(int i) const {
  const FieldPlace& p = node(i).place;
  return text_.substr(p.at, p.end - p.at);
}

absl::string_view TextTree::Value(int i) const {
  const FieldPlace& p = node(i).place;
  return text_.substr(p.value, p.end - p.value);
}

std::string TextTree::TextValue(int i) const {
  Silent silent;
  Tokens tokens(Value(i), &silent);
  std::string out;
  while (tokens.next().kind == Token::kText) out += Unescaped(tokens.Take().text);
  return out;
}

std::optional<double> TextTree::NumberValue(int i) const {
  Silent silent;
  Tokens tokens(Value(i), &silent);
  const bool minus = tokens.TakeIf('-');
  double value = 0;
  if (tokens.next().kind != Token::kNumber || !absl::SimpleAtod(tokens.Take().text, &value)) return std::nullopt;
  return minus ? -value : value;
}

bool TextTree::IsBlock(int i) const {
  const absl::string_view value = Value(i);
  return node(i).type != nullptr && !value.empty() && (value[0] == '{' || value[0] == '<');
}

}  // namespace selvage::client
