// A stack as its author sees it: text with lines and columns.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "google/protobuf/text_format.h"
#include "proto/job.pb.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// Larger files are refused before they are read; the daemon takes 16 MiB.
inline constexpr size_t kMaxStackBytes = 15u << 20;

class StackFile {
 public:
  // Reads and parses; relative plate and deliverable paths become absolute
  // (from the file's folder). Errors: INVALID_ARGUMENT with file:line:column.
  static absl::StatusOr<StackFile> Read(const std::string& path);

  // Applies `path=value` (see --set in `selvage submit --help`).
  absl::Status Set(const std::string& assignment);

  const Stack& stack() const { return stack_; }

  // "file:line:column" of a field path such as "pass[3].step[1].levels.black";
  // of the closest enclosing field that the text holds.
  std::string Locate(const std::string& field_path) const;

  // One line an error, each with its place. OK for none.
  template <class Errors>
  absl::Status Refuse(const Errors& errors) const {
    if (errors.empty()) return absl::OkStatus();
    std::string text;
    for (const StackError& e : errors) {
      if (!text.empty()) text += '\n';
      text += Locate(e.path()) + ": " + e.message();
    }
    return absl::InvalidArgumentError(text);
  }

 private:
  std::string path_;
  Stack stack_;
  std::shared_ptr<google::protobuf::TextFormat::ParseInfoTree> places_;
};

// Reads, and applies every assignment.
absl::StatusOr<StackFile> ReadStack(const std::string& path, const std::vector<std::string>& set);

}  // namespace selvage::client
