// Matte filters that follow a picture.
#pragma once

#include <functional>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Each window's matte as a linear function of the guide's colour, averaged over
// the windows that a pixel is in. `epsilon` is added to the guide's variances.
// Windows end at the picture's edge. All samples must be finite and below 1e5.
// Source: He, Sun & Tang 2010, colour guide.
// `stopped` is polled between rows; returns false when it ended the work.
bool GuidedFilter(const std::vector<Plane>& guide, const Plane& matte, int radius, double epsilon,
                  const std::function<bool()>& stopped, Plane* out);

// Solves L a = 0 where `open` is not 0, a being `matte` elsewhere, L the matting
// Laplacian of 3 x 3 windows of the guide (those wholly inside the picture), with
// at most `iterations` conjugate gradient steps that begin at `matte`. `epsilon`
// is added to the guide's variances (that of the paper is 9 times as much).
// `open` holds a pixel of the rectangle each, row by row.
// Source: Levin, Lischinski & Weiss 2006.
// `stopped` is polled between steps; returns false when it ended the work.
bool SolveMattingLaplacian(const std::vector<Plane>& guide, const std::vector<uint8_t>& open, double epsilon,
                           int iterations, const std::function<bool()>& stopped, Plane* matte);

}  // namespace selvage::worker
