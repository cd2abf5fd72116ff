// Edits of a stack's text. Each changes only the characters that it must: comments,
// order and spacing stay.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "client/language/stack_file.h"
#include "client/loom/json_reader.h"
#include "client/loom/text_tree.h"

namespace selvage::client {

class StackEditor {
 public:
  explicit StackEditor(std::string text) : text_(std::move(text)) {}
  // Of a text that has been read already: a long one is not read again.
  explicit StackEditor(const StackFile& file) : text_(file.text()) { tree_.emplace(text_, file.places()); }
  StackEditor(const StackEditor&) = delete;
  StackEditor& operator=(const StackEditor&) = delete;

  // One edit as the page sends it: README.md, "POST /api/edit".
  // Errors: INVALID_ARGUMENT, NOT_FOUND; the text is then as it was.
  absl::Status Apply(const JsonMembers& edit);

  const std::string& text() const { return text_; }

 private:
  using Field = google::protobuf::FieldDescriptor;

  // What a path leads to.
  struct Found {
    std::vector<PathPart> parts;
    // Fields of the parts.
    std::vector<const Field*> fields;
    // The last block or field that is there, and how many parts lead to it.
    int node = 0;
    size_t there = 0;
    bool whole() const { return there == parts.size(); }
    const Field* field() const { return fields.back(); }
    // The path names a list, not an entry.
    bool list() const { return field()->is_repeated() && !parts.back().index; }
  };
  absl::StatusOr<Found> Find(const std::string& path);
  // Of what must be there. Errors: NOT_FOUND.
  absl::StatusOr<int> FindThere(const std::string& path);
  // An entry of a list.
  absl::StatusOr<int> FindEntry(const std::string& path);

  absl::Status Set(const JsonMembers& edit, bool makes_key);
  absl::Status SetInPlace(int node, const JsonValue& value, const JsonMembers& edit);
  absl::Status SetNew(const Found& found, const JsonValue& value);
  absl::Status SetAnimated(int node, const JsonValue& value, const JsonMembers& edit);
  absl::Status SetBlock(const std::string& path, const JsonValue& value);
  absl::Status SetKey(int node, int64_t frame, const JsonValue* value, bool makes_first);
  absl::Status Unkey(const JsonMembers& edit);
  absl::Status Remove(const JsonMembers& edit);
  absl::Status Insert(const JsonMembers& edit);
  absl::Status Duplicate(const JsonMembers& edit);
  absl::Status Move(const JsonMembers& edit);
  absl::Status Rename(const JsonMembers& edit);
  absl::Status DrawShape(const JsonMembers& edit);
  absl::Status Mute(const JsonMembers& edit);
  absl::Status Unmute(const JsonMembers& edit);
  absl::Status Replace(const JsonMembers& edit);

  // Where text stands.
  bool BeginsLine(size_t at) const;
  size_t LineBegin(size_t at) const;
  std::string IndentAt(size_t at) const;
  // Behind `at`, nothing or a comment stands on the line: its end; else nullopt.
  std::optional<size_t> EndOfRest(size_t at) const;
  // Behind a comma or semicolon that follows.
  size_t BehindSeparator(size_t at) const;

  void InsertBehind(int node, const std::string& text);
  void InsertBefore(int node, const std::string& text);
  // A field that is not there yet, where fields of its number belong.
  absl::Status InsertInto(int block, const Field* field, const std::string& text);
  void RemoveNode(int node);
  void Splice(size_t begin, size_t end, absl::string_view by);
  absl::Status NotListed(int node);
  const TextTree& tree();

  std::string text_;
  // Of `text_` as it is; made when it is needed.
  std::optional<TextTree> tree_;
};

// Steps that are left out for a while stand behind these on lines of their own: the first
// line of a step, and its others.
inline constexpr absl::string_view kMuted = "#muted ", kMutedMore = "#muted+ ";

// "M 1 2 C ... Z M ...": absolute SVG path data, hundredths of a pixel; curves with their
// control points at thirds become lines. Each sub-path: start, then six numbers a curve.
// Errors: INVALID_ARGUMENT.
absl::StatusOr<std::string> PathText(const JsonValue& curves);

}  // namespace selvage::client
