// "plates/apiary_010.%04d.exr" and a frame number make a path.
#pragma once

#include <string>

#include "absl/status/status.h"

namespace selvage {

// One %d or %0Nd (N from 1 to 9), or none for a still; no other %.
// Errors: INVALID_ARGUMENT with what was found.
absl::Status CheckFramePattern(const std::string& pattern);
// True when the pattern has a place for the frame.
bool HasFrame(const std::string& pattern);
// REQUIRES: CheckFramePattern is OK. Negative frames: "-0001" for %05d, as printf.
std::string FramePath(const std::string& pattern, int frame);

}  // namespace selvage
