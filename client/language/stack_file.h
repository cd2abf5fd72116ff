// A stack as its author sees it: text with lines and columns.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/faults.h"
#include "client/language/syntax.h"
#include "proto/job.pb.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// Larger files are refused before they are read; the daemon takes 16 MiB.
inline constexpr size_t kMaxStackBytes = 15u << 20;

class StackFile {
 public:
  // Reads and parses; relative plate and deliverable paths become absolute
  // (from the file's folder). Errors: INVALID_ARGUMENT with the first faults, a
  // line each: file:line:column.
  static absl::StatusOr<StackFile> Read(const std::string& path);
  // The same of a text; `path` is what it is called and where relative paths start.
  static absl::StatusOr<StackFile> Parse(const std::string& path, const std::string& text);

  // Applies `path=value` (see --set in `selvage submit --help`).
  absl::Status Set(const std::string& assignment);

  const Stack& stack() const { return stack_; }
  // As it was read, without a byte order mark, and where each field stands in it.
  const std::string& path() const { return path_; }
  const std::string& text() const { return text_; }
  const std::vector<FieldPlace>& places() const { return places_; }

  // "file:line:column" of a field path such as "pass[3].step[1].levels.black";
  // of the closest enclosing field that the text holds.
  std::string Locate(const std::string& field_path) const;

  // Line and column from 1; 0, 0 where the text holds nothing of the path.
  std::pair<int, int> PlaceOf(const std::string& field_path) const;

  // One line an error, each with its place. OK for none.
  template <class Errors>
  absl::Status Refuse(const Errors& errors) const {
    std::vector<Fault> faults;
    for (const StackError& e : errors) {
      const auto [line, column] = PlaceOf(e.path());
      faults.push_back({line, column, e.path(), e.message()});
    }
    return FaultsIn(path_, faults);
  }

 private:
  std::string path_, text_;
  Stack stack_;
  std::vector<FieldPlace> places_;
};

// Reads, and applies every assignment.
absl::StatusOr<StackFile> ReadStack(const std::string& path, const std::vector<std::string>& set);

}  // namespace selvage::client
