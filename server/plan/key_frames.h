// Where a frame lies among key frames.
#pragma once

#include <algorithm>
#include <iterator>

#include "server/plan/resolve.h"

namespace selvage::plan {

// Between key frame `before` and `after`, at `u`.
struct Between {
  int before = 0, after = 0;
  double u = 0;
};

// Before the first key frame and after the last, the nearest one holds.
template <class KeyFrames>
Between FindBetween(const KeyFrames& at, Ease ease, double frame) {
  const auto next =
      std::upper_bound(at.begin(), at.end(), frame, [](double f, const auto& k) { return f < k.frame(); });
  if (next == at.begin()) return {0, 0, 0};
  const int i = static_cast<int>(next - at.begin()) - 1;
  if (next == at.end()) return {i, i, 0};
  const double span = double{static_cast<double>(next->frame())} - at.Get(i).frame();
  return {i, i + 1, Eased(ease, (frame - at.Get(i).frame()) / span)};
}

// Equal ends give exactly their value, whatever u is: a frame between two equal
// key frames has the same key as they have. + 0.0 turns -0 into +0.
inline double Mix(double a, double b, double u) { return (a == b ? a : (1 - u) * a + u * b) + 0.0; }

}  // namespace selvage::plan
