// The fields of a stack's text as a tree, each with its place: what edits and the
// page find their way with.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "client/language/syntax.h"
#include "google/protobuf/descriptor.h"

namespace selvage::client {

// One step of "pass[2].step[1].levels.black".
struct PathPart {
  std::string name;
  std::optional<int> index;
};
// Errors: INVALID_ARGUMENT.
absl::StatusOr<std::vector<PathPart>> ParsePath(absl::string_view path);

struct TextNode {
  FieldPlace place;
  // In the order of the text.
  std::vector<int> children;
  // The message type of a block; nullptr of other fields.
  const google::protobuf::Descriptor* type = nullptr;
};

class TextTree {
 public:
  static constexpr int kRoot = 0;

  // `text` must outlive this; it is read as a stack, whatever faults it has.
  explicit TextTree(absl::string_view text);
  // Of places that are known already.
  TextTree(absl::string_view text, const std::vector<FieldPlace>& places);

  absl::string_view text() const { return text_; }
  const TextNode& node(int i) const { return nodes_[static_cast<size_t>(i)]; }
  size_t size() const { return nodes_.size(); }

  // -1: there is none.
  int Child(int block, absl::string_view field, int index = 0) const;
  std::vector<int> Children(int block, absl::string_view field) const;
  std::string PathOf(int node) const;

  // The text of a field and of its value.
  absl::string_view Whole(int node) const;
  absl::string_view Value(int node) const;
  // Of a value that is a text: without quotes and escapes, pieces joined.
  std::string TextValue(int node) const;
  // Of a value that is one number.
  std::optional<double> NumberValue(int node) const;
  // Its value is in braces.
  bool IsBlock(int node) const;

 private:
  void Build(const std::vector<FieldPlace>& places);

  absl::string_view text_;
  std::vector<TextNode> nodes_;
};

}  // namespace selvage::client
