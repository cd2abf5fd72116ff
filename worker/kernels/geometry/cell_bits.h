// Bitmaps of pixels to those of cells, and back.
#pragma once

#include "worker/kernels/geometry/bitmap.h"
#include "worker/kernels/geometry/grid.h"

namespace selvage::worker {

// Cells with any pixel.
Bitmap CellsOf(const Bitmap& pixels, const Grid& grid);
// All pixels of the cells.
Bitmap PixelsOf(const Bitmap& cells, const Grid& grid);

}  // namespace selvage::worker
