// Short forms of values: a number where a Number may stand (`gamma: 1.2`), and for
// a Color one number for all three parts, three numbers (`[0.1, 0.6, 0.2]`) or a
// web colour (`"#00b140"`). They are written out before the text is parsed, so that
// the messages themselves know nothing of them.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "google/protobuf/descriptor.h"

namespace selvage {

// As protobuf's parsers count: both from 0, a tab moves to the next multiple of 8.
struct TextPlace {
  int line = 0, column = 0;
  bool operator==(const TextPlace&) const = default;
};

// A short form that says nothing: two numbers for a colour.
struct ShortFormFault {
  TextPlace at;  // in the original
  std::string message;
};

struct Expanded {
  std::string text;
  // What is not understood here is left as it is: the parser has the word.
  std::vector<ShortFormFault> faults;

  // Where a place of `text` is in the original. No edit adds or takes a line.
  TextPlace Original(TextPlace place) const;

  struct Edit {
    size_t begin, size;          // in `text`
    size_t old_begin, old_size;  // in `original`
  };
  std::vector<Edit> edits;  // ascending
  std::string original;
};

// The same limit as that of a message to the daemon.
inline constexpr size_t kMaxStackText = 16u << 20;

// Of a message of type `type` in protobuf text format.
// Errors: INVALID_ARGUMENT  more than kMaxStackText bytes.
absl::StatusOr<Expanded> ExpandShortForms(absl::string_view text, const google::protobuf::Descriptor* type);

// "#rrggbb", as web pages have it (sRGB, IEC 61966-2-1), in scene-linear light.
// False if it is something else.
bool ParseWebColor(absl::string_view text, double rgb[3]);

}  // namespace selvage
