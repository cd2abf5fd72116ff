// Smooth fields are worked out on a coarse grid of cells over a picture.
#pragma once

#include <functional>
#include <utility>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Cells of factor x factor pixels from the top left of `fine`; those at the right
// and bottom may be cut.
struct Grid {
  Rect fine;
  // A power of two up to 32.
  int factor = 2;
  Rect cells() const { return {0, 0, (fine.width() + factor - 1) / factor, (fine.height() + factor - 1) / factor}; }
};

// Sums of the rows of a picture into cells: rows are added from the top, full
// width, and folded into the row of cells when that is complete.
class CellSums {
 public:
  CellSums(const Grid& grid, int planes);
  // Full-width rows that row y's samples are to be added to, one a plane.
  float* const* Rows(int y);
  void Finish();
  // Sums. REQUIRES: finished.
  std::vector<Plane>& planes() { return planes_; }

 private:
  void Fold();
  Grid grid_;
  std::vector<Plane> planes_;
  std::vector<float> samples_;
  std::vector<float*> rows_;
  int cell_row_ = 0;
  // Whether the row of cells has been given any samples.
  bool used_ = false;
};

// Means of the cells. Those that the border cuts are completed with the nearest
// pixels, so that an even picture has even cells to the bit.
Plane CellMeans(const Grid& grid, const Plane& fine);
// The same of rows that are made on the way: row(y), full width, is asked for from
// the top.
Plane CellMeans(const Grid& grid, const std::function<const float*(int y)>& row);
// And of rows that are handed in as they come, from the top.
class CellAverages {
 public:
  explicit CellAverages(const Grid& grid);
  void Add(const float* row);
  // REQUIRES: all rows were added.
  Plane Finish() { return std::move(means_); }

 private:
  void Fold(int Y);
  Grid grid_;
  Plane means_;
  std::vector<float> columns_;
  int rows_ = 0;
};

// Rows of the full picture from fields on the grid, bilinear between the centres
// of cells, nearest beyond the outer ones.
class Enlarger {
 public:
  explicit Enlarger(const Grid& grid);
  // Row y (absolute) into `to`, which has room for the picture's width rounded up
  // to cells.
  void Row(const Plane& field, int y, float* to) { Part(field, y, 0, grid_.fine.width(), to); }
  // Of that row at least columns x0 to x1 - 1 (0 is the first), at their places.
  // REQUIRES: x0 < x1.
  void Part(const Plane& field, int y, int x0, int x1, float* to);
  size_t row_size() const { return static_cast<size_t>(grid_.cells().width()) * grid_.factor; }

 private:
  Grid grid_;
  std::vector<float> line_;
};

// Blur with edge pixels repeated outward.
Plane Blurred(const Plane& in, double sigma);

}  // namespace selvage::worker
