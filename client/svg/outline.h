// Outlines of shapes at a frame, and as SVG path data.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/stack.pb.h"
#include "proto/svg_path.h"

namespace selvage::client {

// Where a frame lies among key frames; before the first and after the last, the nearest holds.
struct Between {
  int before = 0, after = 0;
  // The share of `after`, as `ease` has it.
  double u = 0;
};
template <class KeyFrames>
Between FindBetween(const KeyFrames& keys, Ease ease, int frame) {
  int next = 0;
  while (next < keys.size() && keys.Get(next).frame() <= frame) ++next;
  if (next == 0) return {};
  if (next == keys.size()) return {next - 1, next - 1, 0};
  const double from = keys.Get(next - 1).frame(), span = keys.Get(next).frame() - from;
  const double u = span > 0 ? (frame - from) / span : 0;
  return {next - 1, next, ease == HOLD ? 0 : ease == SMOOTH ? u * u * (3 - 2 * u) : u};
}

double NumberAt(const Number& number, int frame, double otherwise);

// Before the mask's track. `nearest`: of a mask that follows, the nearest drawing instead of
// what lies between two. Of paths that cannot move into each other, the one before.
absl::StatusOr<SvgPath> OutlineAt(const Mask::Shape& shape, int frame, bool nearest);

// "M 1 2 C ... L ... Z M ...": absolute, in hundredths of a pixel; curves with their control
// points at thirds are lines. Each sub-path: start, then six numbers a curve.
std::string PathData(const std::vector<std::vector<double>>& sub_paths);

}  // namespace selvage::client
