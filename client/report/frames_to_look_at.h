// Which frames of a pass to look at, and why, from its figures.
#pragma once

#include <string>
#include <vector>

#include "proto/report.pb.h"

namespace selvage::client {

// Names that the report was asked with, for its words; empty: not given.
struct GivenMattes {
  std::string core, garbage;
};

// A frame stands out where a figure lies above the shot's median by more than
// what nobody would see, by more than six times what frames usually differ (their
// median difference from it x 1.4826, a standard deviation for normal noise), and
// above a multiple of it. A shot that is bad in its median frame is told of as a
// whole: a bad matte is bad also where all frames are alike. Also told: frames
// that are empty, and holes and specks that a given core or garbage matte has in
// most frames. By the first frame; neighbouring frames with the same fault are one
// finding.
// REQUIRES: frames ascend by one.
std::vector<Finding> FramesToLookAt(const PassReport& report, const GivenMattes& given);

// "1019-1021: edge flicker up to 3.1x the shot's median".
std::string InWords(const Finding& finding);

}  // namespace selvage::client
