// Colours of the foreground about every pixel, as Gaussians: where they are known
// from the core, further out ever more any grey. Recipe in worker/kernels/README.md.
#pragma once

#include <functional>
#include <vector>

#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/unmix/mix_rows.h"
#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {

// Sums of samples in cells to means; sums of weights to weights of 0..1, full from
// `full` of a cell on. Cells of no weight are 0.
void NormaliseCells(const Grid& grid, float full, Plane* weight, std::vector<Plane>* sums);

class ForegroundModel {
 public:
  // Variances that are left to the foreground: of its brightness (as a share squared), and
  // of a grey of which nothing is known. What is too narrow takes smoke before a flame for a
  // little of the flame.
  struct Openness {
    float brightness, grey;
  };
  // Sums over cells of what is known: colours and their weights 0..1.
  class Samples {
   public:
    explicit Samples(const Grid& grid) : sums_(grid, 10) {}
    // From column x (0 is the first) on. REQUIRES: rows in order.
    void Add(int y, int x, const float* weight, const float* const color[3], int width);
    std::vector<Plane> Finish();

   private:
    CellSums sums_;
  };

  // `moments` as Samples gives them, `alpha` a first matte or a better one, `core`
  // the solid pixels, from which distances count. May be built again. False when
  // `stopped` ended the work.
  bool Build(const ScreenView& view, std::vector<Plane> moments, const Plane& alpha, const Bitmap& core,
             const Openness& open, const std::function<bool()>& stopped);

  // On the cells: mean (r g b) and covariance (rr rg rb gg gb bb).
  const std::vector<Plane>& fields() const { return fields_; }

 private:
  std::vector<Plane> fields_, spill_;
  Rgb screen_cells_;
};

// Rows of the model at full resolution.
class ForegroundLines {
 public:
  ForegroundLines(const Grid& grid, const ForegroundModel& model);
  // Columns x0 to x1 - 1 of row y. REQUIRES: x0 < x1.
  ForegroundRows Row(int y, int x0, int x1);

 private:
  Enlarger enlarger_;
  const std::vector<Plane>& fields_;
  std::vector<std::vector<float>> lines_;
};

}  // namespace selvage::worker
