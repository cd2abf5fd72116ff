// Error of a matte against the true coverage.
#pragma once

#include "tests/scene/picture.h"

namespace selvage::scene {

struct Score {
  // Mean absolute error of the whole frame, and of the soft band: pixels within
  // 3 pixels (square) of one with 0.02 < truth < 0.98. 0 where there is no band.
  double whole = 0, band = 0;
};

// Compares the a channels. Throws std::runtime_error when the sizes differ.
Score Compare(const Picture& matte, const Picture& truth);
// The same for the matte after levels: (a - black) / (white - black) within 0..1.
Score CompareLevelled(const Picture& matte, const Picture& truth, float black, float white);

}  // namespace selvage::scene
