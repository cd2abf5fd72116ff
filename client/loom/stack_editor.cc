#include "client/loom/stack_editor.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "absl/strings/strip.h"
#include "client/loom/json_writer.h"
#include "client/loom/shape_json.h"
#include "client/loom/text_units.h"
#include "client/loom/value_text.h"
#include "client/svg/outline.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

bool IsBlank(char c) { return c == ' ' || c == '\t' || c == '\r'; }

bool IsAnimated(const Descriptor* type) { return type == Number::descriptor() || type == Color::descriptor(); }

absl::Status No(const std::string& text) { return absl::InvalidArgumentError(text); }

// The fields of a key frame or of a constant block that hold the value.
std::vector<std::string> ValueFields(const Descriptor* type) {
  if (type == Number::descriptor()) return {"value"};
  if (type == Color::descriptor()) return {"r", "g", "b"};
  return {"path"};
}

// Texts of those fields' values.
absl::StatusOr<std::vector<std::string>> ValueTexts(const Descriptor* type, const std::string& name,
                                                    const JsonValue& value) {
  if (type == Number::descriptor()) {
    ASSIGN_OR_RETURN(const double number, ReadNumber(name, value));
    return std::vector<std::string>{ShortestNumber(number)};
  }
  if (type == Color::descriptor()) {
    ASSIGN_OR_RETURN(const ColorValue color, ReadColor(name, value));
    std::vector<std::string> out;
    for (const double v : color.rgb) out.push_back(ShortestNumber(v));
    return out;
  }
  if (value.kind_case() != JsonValue::kStringValue) return No(absl::StrCat("`", name, "` takes a path"));
  return std::vector<std::string>{QuotedText(value.string_value())};
}

// "value: 1" or "r: 1 g: 0 b: 0".
std::string ValueFieldsText(const Descriptor* type, const std::vector<std::string>& texts) {
  const std::vector<std::string> names = ValueFields(type);
  std::string out;
  for (size_t i = 0; i < names.size(); ++i) absl::StrAppend(&out, i == 0 ? "" : " ", names[i], ": ", texts[i]);
  return out;
}

std::string KeyText(const Descriptor* type, int64_t frame, const std::vector<std::string>& texts) {
  return absl::StrCat("at { frame: ", frame, " ", ValueFieldsText(type, texts), " }");
}

bool IsNamedEntry(const Descriptor* type) {
  return type == Pass::descriptor() || type == Plate::descriptor() || type == Mask::descriptor() ||
         type == Deliverable::descriptor();
}

}  // namespace

// ---- ways through the text ----

const TextTree& StackEditor::tree() {
  if (!tree_) tree_.emplace(text_);
  return *tree_;
}

void StackEditor::Splice(size_t begin, size_t end, absl::string_view by) {
  text_.replace(begin, end - begin, by.data(), by.size());
  tree_.reset();
}

size_t StackEditor::LineBegin(size_t at) const {
  const size_t newline = at == 0 ? std::string::npos : text_.rfind('\n', at - 1);
  return newline == std::string::npos ? 0 : newline + 1;
}

bool StackEditor::BeginsLine(size_t at) const {
  const size_t begin = LineBegin(at);
  return std::all_of(text_.begin() + static_cast<ptrdiff_t>(begin), text_.begin() + static_cast<ptrdiff_t>(at),
                     IsBlank);
}

std::string StackEditor::IndentAt(size_t at) const {
  const size_t begin = LineBegin(at);
  size_t end = begin;
  while (end < text_.size() && (text_[end] == ' ' || text_[end] == '\t')) ++end;
  return text_.substr(begin, end - begin);
}

std::optional<size_t> StackEditor::EndOfRest(size_t at) const {
  while (at < text_.size() && IsBlank(text_[at])) ++at;
  if (at == text_.size()) return at;
  if (text_[at] == '#') at = std::min(text_.find('\n', at), text_.size());
  if (at < text_.size() && text_[at] != '\n') return std::nullopt;
  // Before a carriage return, which belongs to the end of the line.
  while (at > 0 && text_[at - 1] == '\r') --at;
  return at;
}

size_t StackEditor::BehindSeparator(size_t at) const {
  size_t next = at;
  while (next < text_.size() && IsBlank(text_[next])) ++next;
  return next < text_.size() && (text_[next] == ',' || text_[next] == ';') ? next + 1 : at;
}

absl::StatusOr<StackEditor::Found> StackEditor::Find(const std::string& path) {
  Found found;
  ASSIGN_OR_RETURN(found.parts, ParsePath(path));
  const Descriptor* type = Stack::descriptor();
  bool there = true;
  for (size_t i = 0; i < found.parts.size(); ++i) {
    const PathPart& part = found.parts[i];
    if (type == nullptr) return No(absl::StrCat(path, ": ", found.fields.back()->name(), " has no fields of its own"));
    ASSIGN_OR_RETURN(const FieldDescriptor* field, FieldOf(type, part.name), Annotate(path));
    if (part.index && !field->is_repeated()) return No(absl::StrCat(path, ": ", part.name, " is no list"));
    const bool last = i + 1 == found.parts.size();
    if (field->is_repeated() && !part.index && !last) {
      return No(absl::StrCat(path, ": ", part.name, " is a list: which entry is missing, as in ", part.name, "[0]"));
    }
    found.fields.push_back(field);
    type = field->message_type();
    // A list by itself is nothing that stands in the text.
    there = there && !(field->is_repeated() && !part.index);
    const int child = there ? tree().Child(found.node, part.name, part.index.value_or(0)) : -1;
    there = child >= 0;
    if (!there) continue;
    found.node = child;
    found.there = i + 1;
  }
  return found;
}

absl::StatusOr<int> StackEditor::FindThere(const std::string& path) {
  ASSIGN_OR_RETURN(const Found found, Find(path));
  if (found.whole()) return found.node;
  return absl::NotFoundError(absl::StrCat("there is no ", path, " in the text"));
}

absl::StatusOr<int> StackEditor::FindEntry(const std::string& path) {
  ASSIGN_OR_RETURN(const int node, FindThere(path));
  if (!tree().node(node).place.field->is_repeated()) return No(absl::StrCat(path, " is no entry of a list"));
  RETURN_IF_ERROR(NotListed(node));
  return node;
}

absl::Status StackEditor::NotListed(int node) {
  const FieldPlace& place = tree().node(node).place;
  if (!place.listed) return absl::OkStatus();
  return No(absl::StrCat("the entries of `", place.field->name(), "` stand in brackets here, `", place.field->name(),
                         " [{ ... }, { ... }]`: change their number in the text, or write them one by one"));
}

// ---- putting in and taking out ----

void StackEditor::InsertBehind(int node, const std::string& text) {
  const FieldPlace place = tree().node(node).place;
  const size_t end = BehindSeparator(place.end);
  if (!BeginsLine(place.at)) return Splice(end, end, " " + text);
  const std::string newline = text_.find("\r\n") == std::string::npos ? "\n" : "\r\n";
  // Entries that an empty line sets apart stay so.
  const size_t begin = LineBegin(place.at);
  const bool apart = place.parent == TextTree::kRoot && place.index > 0 && begin >= 2 && BeginsLine(begin - 1) &&
                     text_[begin - 1] == '\n';
  const auto rest = EndOfRest(end);
  if (!rest) return Splice(end, end, " " + text);
  Splice(*rest, *rest, absl::StrCat(apart ? newline : "", newline, IndentAt(place.at), text));
}

void StackEditor::InsertBefore(int node, const std::string& text) {
  const FieldPlace place = tree().node(node).place;
  if (!BeginsLine(place.at)) return Splice(place.at, place.at, text + " ");
  const std::string indent = IndentAt(place.at);
  // The comment above it is about it.
  size_t at = LineBegin(place.at);
  while (at > 0) {
    const size_t above = LineBegin(at - 1);
    if (!absl::StartsWith(absl::StripLeadingAsciiWhitespace(absl::string_view(text_).substr(above, at - above)), "#")) {
      break;
    }
    at = above;
  }
  const std::string newline = text_.find("\r\n") == std::string::npos ? "\n" : "\r\n";
  Splice(at, at, absl::StrCat(indent, text, newline));
}

absl::Status StackEditor::InsertInto(int block, const Field* field, const std::string& text) {
  if (block != TextTree::kRoot && !tree().IsBlock(block)) {
    return No(absl::StrCat("`", tree().node(block).place.field->name(), "` is one value here and has no fields"));
  }
  int before = -1, behind = -1;
  for (int child : tree().node(block).children) {
    if (tree().node(child).place.field->number() <= field->number()) {
      behind = child;
    } else if (before < 0) {
      before = child;
    }
  }
  if (behind >= 0 && tree().node(behind).place.listed) {
    // Behind the whole list: before what follows it, or else with the others in the end.
    return NotListed(behind);
  }
  if (behind >= 0) {
    InsertBehind(behind, text);
  } else if (before >= 0) {
    InsertBefore(before, text);
  } else if (block == TextTree::kRoot) {
    Splice(text_.size(), text_.size(), absl::StrCat(text_.empty() || text_.back() == '\n' ? "" : "\n", text, "\n"));
  } else {
    const FieldPlace place = tree().node(block).place;
    const size_t open = place.value + 1, close = place.end - 1;
    const absl::string_view inside = absl::string_view(text_).substr(open, close - open);
    if (inside.find_first_not_of(" \t") == absl::string_view::npos) {
      Splice(open, close, absl::StrCat(" ", text, " "));
    } else {
      const size_t at = EndOfRest(open).value_or(open);
      Splice(at, at, absl::StrCat("\n", IndentAt(place.at), "  ", text));
    }
  }
  return absl::OkStatus();
}

void StackEditor::RemoveNode(int node) {
  const FieldPlace place = tree().node(node).place;
  size_t begin = place.at, end = BehindSeparator(place.end);
  const bool own_line = BeginsLine(begin);
  size_t behind = end;
  while (behind < text_.size() && IsBlank(text_[behind])) ++behind;
  const bool line_ends = behind == text_.size() || text_[behind] == '\n';
  if (own_line && line_ends) {
    begin = LineBegin(begin);
    end = std::min(behind + 1, text_.size());
  } else if (own_line) {
    end = behind;
  } else {
    while (begin > 0 && IsBlank(text_[begin - 1])) --begin;
  }
  Splice(begin, end, "");
}

// ---- values ----

absl::Status StackEditor::Set(const JsonMembers& edit, bool makes_key) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const auto frame, WholeMember(edit, "frame"));
  const JsonValue* value = Member(edit, "value");
  ASSIGN_OR_RETURN(const Found found, Find(path));
  if (makes_key && !frame) return No("\"frame\" is missing");
  if (value == nullptr && !makes_key) return No("\"value\" is missing; `reset` takes a field away");
  if (frame && !IsAnimated(found.field()->message_type())) {
    return No(absl::StrCat("`", found.field()->name(), "` is the same for the whole shot: it has no key frames"));
  }
  if (found.list()) return No(absl::StrCat(path, " is a list: name an entry, as in ", path, "[0], or use `insert`"));
  if (found.whole()) {
    if (frame) return SetKey(found.node, *frame, value, makes_key);
    return SetInPlace(found.node, *value, edit);
  }
  if (!frame) return SetNew(found, *value);
  if (!makes_key) return No(absl::StrCat("`", found.field()->name(), "` has no key frames"));
  if (value == nullptr) return No(absl::StrCat("`", found.field()->name(), "` has no value yet: say one"));
  JsonValue key;
  auto* at = (*key.mutable_struct_value()->mutable_fields())["at"].mutable_list_value()->add_values();
  auto& fields = *at->mutable_struct_value()->mutable_fields();
  fields["frame"].set_number_value(static_cast<double>(*frame));
  if (found.field()->message_type() == Number::descriptor()) {
    fields["value"] = *value;
  } else {
    ASSIGN_OR_RETURN(const ColorValue color, ReadColor(found.field()->name(), *value));
    const char* const names[] = {"r", "g", "b"};
    for (int i = 0; i < 3; ++i) fields[names[i]].set_number_value(color.rgb[i]);
  }
  return SetNew(found, key);
}

absl::Status StackEditor::SetNew(const Found& found, const JsonValue& value) {
  for (size_t i = found.there; i < found.parts.size(); ++i) {
    if (!found.fields[i]->is_repeated()) continue;
    return absl::NotFoundError(
        absl::StrCat("there is no ", found.parts[i].name, "[", *found.parts[i].index, "]; `insert` makes one"));
  }
  // The blocks around it that are not there yet.
  JsonValue whole = value;
  for (size_t i = found.parts.size() - 1; i > found.there; --i) {
    JsonValue around;
    (*around.mutable_struct_value()->mutable_fields())[found.parts[i].name] = whole;
    whole = std::move(around);
  }
  const FieldDescriptor* field = found.fields[found.there];
  // Another one of the same choice goes.
  int other = -1;
  if (const auto* group = field->real_containing_oneof()) {
    for (int child : tree().node(found.node).children) {
      if (tree().node(child).place.field->real_containing_oneof() == group) other = child;
    }
  }
  const std::vector<int>& children = tree().node(found.node).children;
  const int beside = other >= 0 ? other : children.empty() ? found.node : children.back();
  const std::string indent = IndentAt(tree().node(beside).place.at) + (beside == found.node ? "  " : "");
  ASSIGN_OR_RETURN(const std::string text, FieldText(field, whole, indent));
  if (other < 0) return InsertInto(found.node, field, text);
  Splice(tree().node(other).place.at, tree().node(other).place.end, text);
  return absl::OkStatus();
}

absl::Status StackEditor::SetInPlace(int node, const JsonValue& value, const JsonMembers& edit) {
  const TextNode& there = tree().node(node);
  if (IsAnimated(there.type) && value.kind_case() != JsonValue::kStructValue) return SetAnimated(node, value, edit);
  if (there.type != nullptr && value.kind_case() == JsonValue::kStructValue && tree().IsBlock(node)) {
    return SetBlock(tree().PathOf(node), value);
  }
  if (there.place.field->is_repeated() && there.type == nullptr) {
    return No(absl::StrCat("`", there.place.field->name(), "` is a list of values: change it in the text"));
  }
  const FieldPlace place = there.place;
  if (place.field->message_type() != nullptr && value.kind_case() == JsonValue::kStructValue) {
    // A short form becomes a block.
    ASSIGN_OR_RETURN(const std::string text, FieldText(place.field, value, IndentAt(place.at)));
    Splice(place.at, place.end, text);
    return absl::OkStatus();
  }
  ASSIGN_OR_RETURN(const std::string text, ValueText(place.field, value));
  Splice(place.value, place.end, text);
  return absl::OkStatus();
}

absl::Status StackEditor::SetBlock(const std::string& path, const JsonValue& value) {
  for (const auto& [name, member] : value.struct_value().fields()) {
    JsonMembers inner;
    (*inner.mutable_fields())["path"].set_string_value(absl::StrCat(path, ".", name));
    (*inner.mutable_fields())["value"] = member;
    RETURN_IF_ERROR(Set(inner, false));
  }
  return absl::OkStatus();
}

absl::Status StackEditor::SetAnimated(int node, const JsonValue& value, const JsonMembers& edit) {
  const FieldPlace place = tree().node(node).place;
  const Descriptor* type = tree().node(node).type;
  const std::string name = place.field->name();
  if (!tree().IsBlock(node)) {
    ASSIGN_OR_RETURN(const std::string text, ValueText(place.field, value));
    Splice(place.value, place.end, text);
    return absl::OkStatus();
  }
  ASSIGN_OR_RETURN(const std::vector<std::string> texts, ValueTexts(type, name, value));
  if (tree().Child(node, "at") >= 0) {
    ASSIGN_OR_RETURN(const bool flatten, BoolMember(edit, "flatten"));
    if (!flatten) {
      return No(absl::StrCat("`", name, "` has key frames: say at which frame it changes, or that one value takes ",
                             "their place (\"flatten\")"));
    }
    Splice(place.value, place.end, absl::StrCat("{ ", ValueFieldsText(type, texts), " }"));
    return absl::OkStatus();
  }
  const std::vector<std::string> names = ValueFields(type);
  const std::string path = tree().PathOf(node);
  for (size_t i = 0; i < names.size(); ++i) {
    ASSIGN_OR_RETURN(const Found found, Find(absl::StrCat(path, ".", names[i])));
    if (!found.whole()) {
      RETURN_IF_ERROR(InsertInto(found.node, found.field(), absl::StrCat(names[i], ": ", texts[i])));
      continue;
    }
    const FieldPlace part = tree().node(found.node).place;
    Splice(part.value, part.end, texts[i]);
  }
  return absl::OkStatus();
}

absl::Status StackEditor::SetKey(int node, int64_t frame, const JsonValue* value, bool makes_first) {
  const FieldPlace place = tree().node(node).place;
  const Descriptor* type = tree().node(node).type;
  const std::string name = place.field->name();
  const std::vector<int> keys = tree().IsBlock(node) ? tree().Children(node, "at") : std::vector<int>();
  std::vector<std::string> texts;
  if (value != nullptr) {
    ASSIGN_OR_RETURN(texts, ValueTexts(type, name, *value));
  }
  const std::vector<std::string> names = ValueFields(type);
  if (keys.empty()) {
    if (!makes_first) {
      return No(absl::StrCat("`", name,
                             "` has no key frames, so it is the same for the whole shot: make the first one ",
                             "(\"key\"), or leave the frame out"));
    }
    if (!tree().IsBlock(node) && type != Mask::Shape::descriptor()) {
      if (texts.empty() && type == Number::descriptor()) texts = {std::string(tree().Value(node))};
      if (texts.empty()) {
        std::string web = tree().TextValue(node);
        return No(absl::StrCat("`", name, "` needs a value for its first key frame", web.empty() ? "" : " in numbers"));
      }
      Splice(place.at, place.end, absl::StrCat(name, " { ", KeyText(type, frame, texts), " }"));
      return absl::OkStatus();
    }
    // What held the one value becomes the key frame.
    std::vector<int> parts;
    for (size_t i = 0; i < names.size(); ++i) {
      const int part = tree().Child(node, names[i]);
      if (part >= 0) parts.push_back(part);
      if (value == nullptr) texts.push_back(part < 0 ? "0" : std::string(tree().Value(part)));
    }
    const std::string text = KeyText(type, frame, texts);
    if (parts.empty()) return InsertInto(node, type->FindFieldByName("at"), text);
    const size_t begin = tree().node(parts.front()).place.at;
    for (size_t i = parts.size() - 1; i > 0; --i) RemoveNode(tree().Child(node, names[i]));
    Splice(begin, tree().node(tree().Child(node, names[0])).place.end, text);
    return absl::OkStatus();
  }
  int behind = -1;
  for (int key : keys) {
    RETURN_IF_ERROR(NotListed(key));
    const int at = tree().Child(key, "frame");
    const double there = at < 0 ? 0 : tree().NumberValue(at).value_or(0);
    if (there > static_cast<double>(frame)) {
      behind = behind < 0 ? key : behind;
      continue;
    }
    if (there < static_cast<double>(frame)) continue;
    if (value == nullptr) return absl::OkStatus();
    const std::string path = tree().PathOf(key);
    for (size_t i = 0; i < names.size(); ++i) {
      ASSIGN_OR_RETURN(const Found part, Find(absl::StrCat(path, ".", names[i])));
      if (part.whole()) {
        const FieldPlace where = tree().node(part.node).place;
        Splice(where.value, where.end, texts[i]);
      } else {
        RETURN_IF_ERROR(InsertInto(part.node, part.field(), absl::StrCat(names[i], ": ", texts[i])));
      }
    }
    return absl::OkStatus();
  }
  if (value == nullptr) return No(absl::StrCat("`", name, "` has no key frame at ", frame, ": say its value"));
  const std::string text = KeyText(type, frame, texts);
  if (behind >= 0) {
    InsertBefore(behind, text);
  } else {
    InsertBehind(keys.back(), text);
  }
  return absl::OkStatus();
}

absl::Status StackEditor::Unkey(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const int64_t frame, NeededWhole(edit, "frame"));
  ASSIGN_OR_RETURN(const int node, FindThere(path));
  const Descriptor* type = tree().node(node).type;
  if (!IsAnimated(type) && type != Mask::Shape::descriptor()) return No(absl::StrCat(path, " has no key frames"));
  const std::vector<int> keys = tree().Children(node, "at");
  for (int key : keys) {
    RETURN_IF_ERROR(NotListed(key));
    const int at = tree().Child(key, "frame");
    if ((at < 0 ? 0 : tree().NumberValue(at).value_or(0)) != static_cast<double>(frame)) continue;
    if (keys.size() > 1) {
      RemoveNode(key);
      return absl::OkStatus();
    }
    std::vector<std::string> texts;
    for (const std::string& name : ValueFields(type)) {
      const int part = tree().Child(key, name);
      texts.push_back(part < 0 ? type == Mask::Shape::descriptor() ? "\"\"" : "0" : std::string(tree().Value(part)));
    }
    const FieldPlace place = tree().node(key).place;
    Splice(place.at, place.end, ValueFieldsText(type, texts));
    return absl::OkStatus();
  }
  return absl::NotFoundError(absl::StrCat(path, " has no key frame at ", frame));
}

// ---- lists and names ----

absl::Status StackEditor::Remove(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const Found found, Find(path));
  // What is not there has its default already.
  if (!found.whole() && !found.field()->is_repeated()) return absl::OkStatus();
  ASSIGN_OR_RETURN(const int node, FindThere(path));
  RETURN_IF_ERROR(NotListed(node));
  RemoveNode(node);
  return absl::OkStatus();
}

absl::Status StackEditor::Insert(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const auto at, WholeMember(edit, "at"));
  const JsonValue* value = Member(edit, "value");
  ASSIGN_OR_RETURN(const Found found, Find(path));
  if (!found.list()) return No(absl::StrCat(path, " is no list"));
  if (found.there + 1 != found.parts.size()) return absl::NotFoundError(absl::StrCat("there is nothing for ", path));
  if (value == nullptr || value->kind_case() != JsonValue::kStructValue) return No("\"value\" must be an object");
  const std::vector<int> entries = tree().Children(found.node, found.parts.back().name);
  if (at && (*at < 0 || *at > static_cast<int64_t>(entries.size()))) {
    return No(absl::StrCat(path, " has ", entries.size(), " entries; a new one cannot be number ", *at));
  }
  if (!entries.empty()) RETURN_IF_ERROR(NotListed(entries[0]));
  const size_t here = entries.empty() ? tree().node(found.node).place.at : tree().node(entries.back()).place.at;
  const bool deeper = entries.empty() && found.node != TextTree::kRoot;
  ASSIGN_OR_RETURN(const std::string text, FieldText(found.field(), *value, IndentAt(here) + (deeper ? "  " : "")));
  if (entries.empty()) return InsertInto(found.node, found.field(), text);
  if (at && *at < static_cast<int64_t>(entries.size())) {
    InsertBefore(entries[static_cast<size_t>(*at)], text);
  } else {
    InsertBehind(entries.back(), text);
  }
  return absl::OkStatus();
}

absl::Status StackEditor::Duplicate(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const int node, FindEntry(path));
  ASSIGN_OR_RETURN(const std::string name, TextMember(edit, "name"));
  std::string text(tree().Whole(node));
  const int named = IsNamedEntry(tree().node(node).type) ? tree().Child(node, "name") : -1;
  if (named >= 0) {
    if (name.empty()) return No("\"name\" is missing: two of one name cannot be told apart");
    const FieldPlace place = tree().node(named).place;
    text.replace(place.value - tree().node(node).place.at, place.end - place.value, QuotedText(name));
  }
  InsertBehind(node, text);
  return absl::OkStatus();
}

absl::Status StackEditor::Move(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const int64_t to, NeededWhole(edit, "to"));
  ASSIGN_OR_RETURN(const int node, FindEntry(path));
  const FieldPlace place = tree().node(node).place;
  const std::vector<int> entries = tree().Children(place.parent, place.field->name());
  if (to < 0 || to >= static_cast<int64_t>(entries.size())) {
    return No(absl::StrCat("there are ", entries.size(), " of them: none can become number ", to));
  }
  std::vector<int> order = entries;
  order.erase(order.begin() + place.index);
  order.insert(order.begin() + static_cast<ptrdiff_t>(to), node);
  // What stands between them stays where it is.
  std::string out;
  for (size_t i = 0; i < entries.size(); ++i) {
    absl::StrAppend(&out, tree().Whole(order[i]));
    if (i + 1 == entries.size()) break;
    const size_t end = tree().node(entries[i]).place.end;
    absl::StrAppend(&out, absl::string_view(text_).substr(end, tree().node(entries[i + 1]).place.at - end));
  }
  Splice(tree().node(entries.front()).place.at, tree().node(entries.back()).place.end, out);
  return absl::OkStatus();
}

absl::Status StackEditor::Rename(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const std::string name, NeededText(edit, "name"));
  ASSIGN_OR_RETURN(const int node, FindThere(path));
  const Descriptor* type = tree().node(node).type;
  if (!IsNamedEntry(type)) return No(absl::StrCat(path, " has no name of its own"));
  if (name.empty()) return No("a name must not be empty");
  const int named = tree().Child(node, "name");
  const std::string old = named < 0 ? "" : tree().TextValue(named);
  if (old == name) return absl::OkStatus();
  const bool deliverable = type == Deliverable::descriptor();
  for (int entry : tree().node(TextTree::kRoot).children) {
    const Descriptor* other = tree().node(entry).type;
    const int other_name = IsNamedEntry(other) ? tree().Child(entry, "name") : -1;
    if (other_name < 0 || (other == Deliverable::descriptor()) != deliverable) continue;
    if (tree().TextValue(other_name) == name) {
      return No(absl::StrCat("there is a ", tree().node(entry).place.field->name(), " \"", name, "\" already"));
    }
  }
  // From the end of the text, so that places before stay as they are.
  std::vector<std::pair<size_t, size_t>> places;
  for (size_t i = 1; i < tree().size(); ++i) {
    const FieldPlace& place = tree().node(static_cast<int>(i)).place;
    const bool own = static_cast<int>(i) == named;
    const bool names_it =
        !deliverable && !old.empty() && NamesAnInput(place.field) && tree().TextValue(static_cast<int>(i)) == old;
    if (own || names_it) places.push_back({place.value, place.end});
  }
  if (named < 0) return InsertInto(node, type->FindFieldByName("name"), absl::StrCat("name: ", QuotedText(name)));
  std::sort(places.rbegin(), places.rend());
  const std::string text = QuotedText(name);
  for (const auto& [begin, end] : places) Splice(begin, end, text);
  return absl::OkStatus();
}

absl::Status StackEditor::DrawShape(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const auto frame, WholeMember(edit, "frame"));
  ASSIGN_OR_RETURN(const bool makes_first, BoolMember(edit, "key"));
  const JsonValue* curves = Member(edit, "curves");
  if (curves == nullptr) return No("\"curves\" is missing");
  ASSIGN_OR_RETURN(const std::string data, PathText(*curves));
  ASSIGN_OR_RETURN(const int node, FindThere(path));
  if (tree().node(node).type != Mask::Shape::descriptor()) return No(absl::StrCat(path, " is no shape"));
  JsonValue value;
  value.set_string_value(data);
  if (frame) return SetKey(node, *frame, &value, makes_first || tree().Child(node, "path") < 0);
  if (tree().Child(node, "at") >= 0) return No("this shape has key frames: say at which frame it is drawn");
  JsonMembers set;
  (*set.mutable_fields())["path"].set_string_value(path + ".path");
  (*set.mutable_fields())["value"] = value;
  return Set(set, false);
}

absl::Status StackEditor::Mute(const JsonMembers& edit) {
  if (Member(edit, "muted") != nullptr) {
    ASSIGN_OR_RETURN(const bool muted, BoolMember(edit, "muted"));
    if (!muted) return Unmute(edit);
  }
  ASSIGN_OR_RETURN(const std::string path, NeededText(edit, "path"));
  ASSIGN_OR_RETURN(const int node, FindEntry(path));
  if (tree().node(node).type != Step::descriptor()) return No(absl::StrCat(path, " is no step"));
  const FieldPlace place = tree().node(node).place;
  const bool begins = BeginsLine(place.at);
  const std::string indent = IndentAt(place.at) + (begins ? "" : "  ");
  std::string out = begins ? "" : "\n" + indent;
  bool first = true;
  for (absl::string_view line : absl::StrSplit(tree().Whole(node), '\n')) {
    absl::StrAppend(&out, first ? "" : "\n" + indent, first ? kMuted : kMutedMore, line);
    first = false;
  }
  size_t begin = place.at, end = BehindSeparator(place.end);
  while (!begins && begin > 0 && IsBlank(text_[begin - 1])) --begin;
  // What stands behind it on the line goes on below.
  size_t rest = end;
  while (rest < text_.size() && IsBlank(text_[rest])) ++rest;
  if (rest < text_.size() && text_[rest] != '\n') {
    absl::StrAppend(&out, "\n", indent);
    end = rest;
  }
  Splice(begin, end, out);
  return absl::OkStatus();
}

absl::Status StackEditor::Unmute(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const int64_t offset, NeededWhole(edit, "offset"));
  size_t at = TextUnits(text_).ByteAt(static_cast<size_t>(std::max<int64_t>(offset, 0)));
  const auto stands = [&](size_t where, absl::string_view what) {
    return absl::StartsWith(absl::string_view(text_).substr(std::min(where, text_.size())), what);
  };
  if (!stands(at, kMuted) || !BeginsLine(at)) return No("no muted step begins there");
  Splice(at, at + kMuted.size(), "");
  while (true) {
    const size_t newline = text_.find('\n', at);
    if (newline == std::string::npos) break;
    at = text_.find_first_not_of(" \t", newline + 1);
    if (at == std::string::npos || !stands(at, kMutedMore)) break;
    // The line had its own indent behind the mark.
    Splice(newline + 1, at + kMutedMore.size(), "");
    at = newline + 1;
  }
  return absl::OkStatus();
}

absl::Status StackEditor::Replace(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const int64_t offset, NeededWhole(edit, "offset"));
  ASSIGN_OR_RETURN(const int64_t length, NeededWhole(edit, "length"));
  ASSIGN_OR_RETURN(const std::string by, TextMember(edit, "text"));
  const TextUnits units(text_);
  if (offset < 0 || length < 0 || offset > static_cast<int64_t>(units.units()) ||
      length > static_cast<int64_t>(units.units()) - offset) {
    return No(absl::StrCat("the text has ", units.units(), " units: there are none at ", offset, " + ", length));
  }
  const size_t begin = units.ByteAt(static_cast<size_t>(offset));
  Splice(begin, units.ByteAt(static_cast<size_t>(offset + length)), by);
  return absl::OkStatus();
}

absl::Status StackEditor::Apply(const JsonMembers& edit) {
  ASSIGN_OR_RETURN(const std::string kind, NeededText(edit, "kind"));
  const std::string before = text_;
  absl::Status done = No(absl::StrCat("there is no edit \"", kind.substr(0, 100), "\""));
  if (kind == "set") done = Set(edit, false);
  if (kind == "key") done = Set(edit, true);
  if (kind == "unkey") done = Unkey(edit);
  if (kind == "reset") done = Remove(edit);
  if (kind == "insert") done = Insert(edit);
  if (kind == "duplicate") done = Duplicate(edit);
  if (kind == "move") done = Move(edit);
  if (kind == "rename") done = Rename(edit);
  if (kind == "shape") done = DrawShape(edit);
  if (kind == "mute") done = Mute(edit);
  if (kind == "replace") done = Replace(edit);
  if (done.ok() && text_.size() > kMaxStackBytes) {
    done = No(absl::StrCat("the stack would become larger than ", kMaxStackBytes >> 20, " MiB"));
  }
  if (!done.ok()) {
    text_ = before;
    tree_.reset();
  }
  return done;
}

absl::StatusOr<std::string> PathText(const JsonValue& curves) {
  constexpr size_t kMostCommands = 100'000;
  if (curves.kind_case() != JsonValue::kListValue) return No("\"curves\" must be a list of sub-paths");
  std::vector<std::vector<double>> sub_paths;
  size_t commands = 0;
  for (const JsonValue& sub : curves.list_value().values()) {
    std::vector<double> xy;
    for (const JsonValue& v : sub.list_value().values()) {
      ASSIGN_OR_RETURN(const double number, ReadNumber("curves", v));
      if (std::abs(number) > 1e6) return No("a point lies more than 1,000,000 pixels away");
      xy.push_back(number);
    }
    if (xy.size() < 8 || xy.size() % 6 != 2) {
      return No("a sub-path is its start, x and y, and six numbers for each curve, of which there is at least one");
    }
    commands += xy.size() / 6 + 2;
    if (commands > kMostCommands) return No(absl::StrCat("a path has at most ", kMostCommands, " commands"));
    sub_paths.push_back(std::move(xy));
  }
  return PathData(sub_paths);
}

}  // namespace selvage::client
