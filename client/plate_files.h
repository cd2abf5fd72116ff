// The files of a plate, as far as the client can see them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "client/commands.h"

namespace selvage::client {

struct PlateFiles {
  // Absolute, with %d or %04d for the frame, or a still.
  std::string pattern;
  Frames frames;
  bool still = false;
  // Frames between the first and the last that have no file, at most 10. Empty
  // where no file is seen from here.
  std::vector<int> missing;
};

// `given` is a pattern, a still, or the path of one frame: "plates/a.1001.exr" stands for
// "plates/a.%04d.exr" where a.1000.exr or a.1002.exr lies beside it. `wanted` narrows the frames, or says them where the daemon
// alone sees the files.
// Errors: INVALID_ARGUMENT no such files, or no pattern; says what is allowed.
absl::StatusOr<PlateFiles> FindPlateFiles(const std::string& given, const std::optional<Frames>& wanted);

}  // namespace selvage::client
