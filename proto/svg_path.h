// SVG 1.1 path data (section 8.3), parsed to absolute cubic curves.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"

namespace selvage {

// One sub-path: start point, then six numbers a curve (two control points, end).
// Lines become curves with control points at thirds. Implicitly closed.
struct SubPath {
  std::vector<double> xy;
};

struct SvgPath {
  std::vector<SubPath> sub_paths;
  // One letter a command as written, upper case; an arc is always eight curves
  // and eight letters.
  std::string commands;
};

// Whether two paths have as many sub-paths, and each as many curves as the other's:
// then their points can move from one to the other, however they were written.
bool CanMove(const SvgPath& from, const SvgPath& to);

// At most 100,000 commands, coordinates within +-1e6. Sub-paths without a curve
// are left out. An empty text is an empty path.
// Errors: INVALID_ARGUMENT "column N: ..." with what was found and expected.
absl::StatusOr<SvgPath> ParseSvgPath(std::string_view text);

// One coordinate on the way, a at u = 0, b at u = 1. One that stands still keeps its
// exact value, so its key stays.
inline double MixPoint(double a, double b, double u) { return a != b ? (1 - u) * a + u * b : a; }

}  // namespace selvage
