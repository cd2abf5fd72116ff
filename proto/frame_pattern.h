// Names of the files of a sequence: one %d or %0Nd for the frame, or none.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/statusor.h"

namespace selvage {

struct FilePattern {
  std::string before, after;
  // Digits at least, filled up with zeros; -1: no frame in the name (a still).
  int digits = -1;

  bool still() const { return digits < 0; }
  std::string At(int32_t frame) const;
};

// Also refuses what no path may hold: control characters, "..", more than
// 4,096 bytes.
// Errors: INVALID_ARGUMENT one clause, as in `has two frame numbers, allowed is one %d or %04d`.
absl::StatusOr<FilePattern> ParsePattern(const std::string& files);

// The path of a deliverable with the name of its stack for {stack} and the number of the
// submission for {version}: "003".
std::string FillBraces(const std::string& files, const std::string& stack, uint32_t version);
// These are all that may stand in braces.
// Errors: INVALID_ARGUMENT one clause.
absl::Status CheckBraces(const std::string& files);

}  // namespace selvage
