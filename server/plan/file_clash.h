// Whether files that are written are also files that are read, or written by another.
#pragma once

#include <optional>
#include <string>

#include "proto/frame_pattern.h"
#include "server/plan/frames.h"

namespace selvage::plan {

// Names of the files of a sequence, without "//" and "/./".
class FileNames {
 public:
  // REQUIRES: ParsePattern takes it.
  explicit FileNames(const std::string& files);

  std::string At(int32_t frame) const { return pattern_.At(frame); }
  // The first of these frames whose file is one of the other's, at any frame. `looks`
  // bounds how many names are compared in all: beyond it only both ends are looked at.
  std::optional<int32_t> ClashAt(const Frames& frames, const FileNames& other, int64_t* looks) const;

 private:
  bool Has(const std::string& path) const;
  bool MayMeet(const FileNames& other) const;

  FilePattern pattern_;
};

}  // namespace selvage::plan
