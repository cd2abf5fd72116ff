// The soft band between bare screen and core, solved. Recipe in worker/kernels/README.md.
#pragma once

#include <functional>
#include <optional>

#include "worker/kernels/unmix/foreground_model.h"
#include "worker/kernels/unmix/screen_view.h"
#include "worker/kernels/unmix/solid_core.h"

namespace selvage::worker {

struct Unmixed {
  Plane alpha;
  // What noise and foreground model leave open; where a part was decided as a whole, by a
  // guess, the square of how far that goes from what its pixels show. 0 elsewhere outside
  // the band. If asked for.
  Plane variance;
  // Whether there was any core to learn the foreground from, and whether there was
  // need of it: more than a few pixels are neither core nor bare screen.
  bool learnt = true, needed = false;
};

struct BandRules {
  // As in CoreRules.
  bool fill = true;
  // Whether the variance is asked for.
  bool variance = false;
  // Where nothing is made solid but what is given; and what was taken for screen by a
  // guess. Of the picture's size; must outlive the solver.
  const Bitmap *soft = nullptr, *islands = nullptr;
};

// `keys` are those along the axis. alpha is 0 where view.sure is, 1 where `core` is, or
// what the first mattes add to it, and where `given` is: that teaches the foreground
// model, but decides nothing about other places, or a mask could harm them. Next to no
// core: alpha is the key, its variance 1.
// nullopt when `stopped` ended the work.
std::optional<Unmixed> SolveBand(const ScreenView& view, const AxisKeys& keys, const Bitmap& core, const Bitmap& given,
                                 const BandRules& rules, const std::function<bool()>& stopped);

}  // namespace selvage::worker
