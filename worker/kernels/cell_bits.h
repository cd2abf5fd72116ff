// Bitmaps of pixels to those of cells, and back.
#pragma once

#include "worker/kernels/bitmap.h"
#include "worker/kernels/grid.h"

namespace selvage {

// Cells with any pixel.
Bitmap CellsOf(const Bitmap& pixels, const Grid& grid);
// All pixels of the cells.
Bitmap PixelsOf(const Bitmap& cells, const Grid& grid);

}  // namespace selvage
