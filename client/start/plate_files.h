// The files of a plate, as far as the client can see them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "client/frames.h"

namespace selvage::client {

struct PlateFiles {
  // Absolute, with %d or %04d for the frame, or a still.
  std::string pattern;
  Frames frames;
  bool still = false;
  // Frames that have a file, ascending. Empty where no file is seen from here.
  std::vector<int> present;
  // Frames between the first and the last that have none, at most 10.
  std::vector<int> missing;
};

// The frames that have a file closest to these, each once; `frames` itself where
// no file is seen from here. REQUIRES: ascending.
std::vector<int> Existing(std::vector<int> frames, const PlateFiles& files);

// `given` is a pattern, or the path of one frame: "plates/a.1001.exr" stands for
// "plates/a.%04d.exr". `wanted` narrows the frames, or says them where the daemon
// alone sees the files.
// Errors: INVALID_ARGUMENT no such files, or no pattern; says what is allowed.
absl::StatusOr<PlateFiles> FindPlateFiles(const std::string& given, const std::optional<Frames>& wanted);

// A background as a stack has it: a path of one picture, or a pattern.
// Errors: INVALID_ARGUMENT neither; NOT_FOUND no such files are seen from here.
absl::StatusOr<std::string> FindBackground(const std::string& given);

}  // namespace selvage::client
