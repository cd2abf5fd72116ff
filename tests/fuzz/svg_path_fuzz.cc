// SVG path data as artists paste it.
#include "proto/svg_path.h"

#include <cmath>

#include "client/svg/outline.h"
#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(svg_path) {
  const auto path = ParseSvgPath(text);
  if (!path.ok()) {
    MUST(path.status().code() == absl::StatusCode::kInvalidArgument);
    MUST(path.status().message().substr(0, 7) == "column ");
    return;
  }
  std::vector<std::vector<double>> points;
  for (const SubPath& s : path->sub_paths) {
    MUST(s.xy.size() >= 8 && s.xy.size() % 6 == 2);
    for (double v : s.xy) MUST(std::abs(v) <= 1e6);
    points.push_back(s.xy);
  }
  MUST(CanMove(*path, *path));
  // What is written is read again, as the same shape.
  const auto again = ParseSvgPath(client::PathData(points));
  MUST(again.ok());
  MUST(again->sub_paths.size() <= path->sub_paths.size());
}
