// Finds what is wrong with the syntax of a stack file, all of it and in plain
// words, and where each field stands. protobuf's own parser stops at the first
// fault and speaks of message types; it reads only what has passed here.
#pragma once

#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "client/faults.h"
#include "google/protobuf/descriptor.h"

namespace selvage::client {

// As many as are worth reading at a time.
inline constexpr size_t kMostSyntaxFaults = 20;

// A field as it stands in the text. The first one is the text itself.
struct FieldPlace {
  // Of the block that holds it, in the list of places; -1: none.
  int parent = -1;
  const google::protobuf::FieldDescriptor* field = nullptr;
  // Among fields of that name in the block.
  int index = 0;
  size_t at = 0;
  // Where its value begins (of a block: its brace), and behind the last character of it.
  size_t value = 0, end = 0;
  // One of several in brackets: `at [{ ... }, { ... }]`.
  bool listed = false;
};

struct Syntax {
  // In the order of the text, at most kMostSyntaxFaults.
  std::vector<Fault> faults;
  std::vector<FieldPlace> places;
  // The text with names of choices as the messages have them: `encoding: srgb`
  // becomes ENCODING_SRGB. Lines stay lines.
  std::string text;
};

// REQUIRES: `text` is UTF-8.
Syntax ReadSyntax(absl::string_view text, const google::protobuf::Descriptor* type);

// Lines and columns, both from 1; a column is a character, whatever its width.
class LineIndex {
 public:
  explicit LineIndex(absl::string_view text);
  std::pair<int, int> At(size_t offset) const;

 private:
  absl::string_view text_;
  std::vector<size_t> begins_;
};

}  // namespace selvage::client
