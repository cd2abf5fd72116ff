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

// The pattern that one frame's path stands for: its last number is the frame. "" if its name
// holds none.
std::string PatternOfFrame(const std::string& path);

// `given` is a pattern, a still, or the path of one frame: "plates/a.1001.exr" stands for
// "plates/a.%04d.exr" where a.1000.exr or a.1002.exr lies beside it. `wanted` narrows the frames, or says them where
// the daemon alone sees the files. Errors: INVALID_ARGUMENT no such files, or no pattern; says what is allowed.
// `argument`: what it was given as, for messages.
absl::StatusOr<PlateFiles> FindPlateFiles(const std::string& given, const std::optional<Frames>& wanted,
                                          const std::string& argument = "--plate ");

// A file that says the number of a frame, but not with the digits of the pattern: plate.7.exr
// beside plate.0007.exr.
struct OtherSpelling {
  int frame = 0;
  // Without its folder.
  std::string name;
};
// By frame, then name; none of a still.
std::vector<OtherSpelling> FindOtherSpellings(const PlateFiles& files);

struct BackgroundFiles {
  // Absolute: one picture, or a pattern.
  std::string pattern;
  // Frame in a file's name = frame of the shot + offset. Not 0 where none of its
  // frames is one of the shot's: then its first one goes with the shot's first.
  int offset = 0;
};

// Errors: INVALID_ARGUMENT neither a path nor a pattern; NOT_FOUND no such files are
// seen from here.
absl::StatusOr<BackgroundFiles> FindBackground(const std::string& given, const Frames& shot);

}  // namespace selvage::client
