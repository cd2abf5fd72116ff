// Noise filter on 8x8 patches of motion-compensated frames, one row of patches
// at a time over a rolling window of picture rows.
//
// Each patch of the frame is transformed (DCT), averaged with the patches its
// motion vectors point at in neighbouring frames - coefficient by coefficient,
// each weighted by how well it agrees - then shrunk, transformed back and added
// to its neighbours under a Kaiser window. Sources: Dabov, Foi, Katkovnik &
// Egiazarian 2007 (two-step shrinkage, aggregation); Hasinoff et al. 2016
// (temporal averaging per frequency).
#pragma once

#include <memory>
#include <vector>

#include "worker/kernels/motion/motion.h"
#include "worker/kernels/motion/patch_shrink_rows.h"
#include "worker/picture/image.h"

namespace selvage::worker {

constexpr int kPatch = 8;
// Patches lie at multiples of this, from a pass's own origin.
constexpr int kPatchStride = 4;

// Variance of the noise in each DCT coefficient, [plane][8 * v + u]; 1 = white
// noise of standard deviation 1.
using NoiseSpectrum = std::vector<float>;

// How coefficients are shrunk.
struct Shrinkage {
  // Without a pilot, a coefficient below this many standard deviations is dropped.
  float threshold = 2.6f;
  // With a pilot P: Wiener factor P^2 / (P^2 + wiener * variance).
  float wiener = 0.85f;
  // A neighbour that agrees better than noise can is a copy of this frame (a held
  // frame): averaging it would take noise for signal. Below this mean misfit
  // (1 = noise) it is left out. Interpolation and a noise profile twice too high
  // in sigma still give 0.2.
  float copy = 0.1f;
};

struct PatchNeighbour {
  const RollingRows* rows;
  const VectorField* vectors;
};

// One pass over a frame. Not thread-safe.
class ShrinkPass {
 public:
  // Patches lie at origin + multiples of 4 in both directions. `pilot`: nullptr
  // = hard threshold. All rows have the same window and number of planes (1 or 3).
  ShrinkPass(const RollingRows* centre, std::vector<PatchNeighbour> neighbours, const RollingRows* pilot,
             const NoiseSpectrum& noise, const Shrinkage& shrinkage, int origin);
  ~ShrinkPass();

  // Upper edges of the first and the last row of patches that touch the window.
  int first_row() const { return first_row_; }
  int last_row() const { return last_row_; }
  // Left edge of the first of the patches in a row, and how many there are.
  int first_column() const;
  int columns() const;
  // Filters the row of patches at y. Rows must come in order, from the first.
  // Needs rows y .. y + 7 of the centre and the pilot, and y - 47 .. y + 55 of
  // the neighbours (mirrored at the edges). Rows y .. y + 3 are then complete.
  // `active`: one byte a patch of the row, 0 = leave it out. nullptr: all.
  void Run(int y, const uint8_t* active = nullptr);
  // Row y (in the window) of plane p out of the four that the last Run completed.
  // NaN where no patch was active.
  void Take(int y, int plane, float* out) const;

 private:
  struct State;
  std::unique_ptr<State> state_;
  int first_row_, last_row_;
};

}  // namespace selvage::worker
