// Connected parts of a bitmap.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Pixels x0 <= x < x1 of row y, all of one part.
struct PartRun {
  int y, x0, x1;
  int part;
};
struct Part {
  int64_t area = 0;
  // Has a pixel in the first or last row or column.
  bool at_edge = false;
};
struct Parts {
  // Row by row, from left to right.
  std::vector<PartRun> runs;
  // In order of each part's first pixel.
  std::vector<Part> parts;
};

// What counts as a neighbour: pixels that share a side, or also a corner.
enum class Neighbours { kFour, kEight };

// Parts of the non-zero pixels of a width x height bitmap (row by row), each
// pixel connected with its neighbours. Linear time: runs are joined by
// union-find with the lower number as root, then numbered in a second pass.
// Source: Rosenfeld & Pfaltz 1966 (two passes), Tarjan 1975 (union-find).
Parts ConnectedParts(std::span<const uint8_t> bitmap, int width, int height,
                     Neighbours neighbours = Neighbours::kEight);

// `matte` with the small parts of a bitmap over the same rectangle replaced by
// `value`: those of at most `area` pixels (not at the edge of the picture, if
// `spare_edge`). Around them `value` is mixed in by twice their blur of
// deviation `soft`, at most 1. Where there are none, the matte itself.
Plane ReplaceSmallParts(const Plane& matte, std::span<const uint8_t> bitmap, double area, bool spare_edge, float value,
                        double soft);

}  // namespace selvage::worker
