// The four errors of a matte that the matting literature reports.
// Source: Rhemann et al., "A perceptually motivated online benchmark for image
// matting", CVPR 2009; constants and the working form of the last two as in
// published evaluation scripts (the paper's distance weight lambda is 1).
#pragma once

#include <cstdint>
#include <vector>

namespace selvage::scene {

struct MatteErrors {
  // Pixels that counted.
  int64_t pixels = 0;
  // Sum of |a - truth|.
  double sad = 0;
  // Mean of (a - truth)^2; 0 where no pixel counts.
  double mse = 0;
  // Sum of (|grad a| - |grad truth|)^2, derivatives of a Gaussian of sigma 1.4.
  double gradient = 0;
  // Sum of |phi(a) - phi(truth)|: how far pixels hang off the largest connected
  // part that both mattes share, at thresholds 0.1 apart.
  double connectivity = 0;
};

// Mattes of width x height values in 0..1, row by row. Pixels count where
// `counts` is not 0; an empty one counts all.
// REQUIRES: equal sizes, at least 1 x 1.
MatteErrors CompareMattes(const std::vector<float>& matte, const std::vector<float>& truth, int width, int height,
                          const std::vector<char>& counts = {});

}  // namespace selvage::scene
