// Area coverage of filled polygons with a true winding count.
#pragma once

#include <cstdint>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

struct Point {
  double x = 0, y = 0;
};

// A straight piece of outline, in the direction of the path.
struct Chord {
  Point a, b;
};

enum class FillRule { kNonZero, kEvenOdd };

// Appends a cubic curve as chords at most 1/256 px off it; ends are exact.
// Their number depends on the curve alone (at most 4,096).
void FlattenCubic(Point p0, Point p1, Point p2, Point p3, std::vector<Chord>* out);

// Exact area coverage, row by row. Each pixel row is cut at every end and every
// crossing of chords; between two cuts chords don't meet, the filled spans are
// trapezoids, and their areas are summed in 32-bit fixed point, where sums don't
// depend on order: so a pixel has the same bits whatever columns are asked for.
// Error about 2^-32 a trapezoid. A row with more than 512 chords or 4,096 cuts is
// cut into 256 equal bands instead (chords straight within each).
class CoverageScan {
 public:
  // `chords` must outlive the scan and close (each sub-path ends where it
  // began). Rows outside rect's are not prepared.
  CoverageScan(const std::vector<Chord>& chords, FillRule rule, const Rect& rect);

  // Coverage 0..1 of pixels rect.x0 <= x < rect.x1 of the next row, the first
  // being rect.y0. REQUIRES: called at most rect.height() times.
  void NextRow(float* out);

 private:
  // A chord within one pixel row, top to bottom, y relative to the row.
  struct Piece {
    double xa, ya, xb, yb;
    int winding;
    double XAt(double y) const;
  };
  struct Crossing {
    double x;
    double xa, xb;
    int winding;
  };

  void CollectPieces();
  // Fills cuts_, ascending from 0 to 1.
  void CutRow();
  void CutEvenly();
  void FillBand(double top, double bottom);
  void Add(double xa, double ya, double xb, double yb, int64_t sign);

  const std::vector<Chord>& chords_;
  const FillRule rule_;
  const Rect rect_;
  // Chords by the row they start in: members_[first_[i]] to members_[first_[i + 1]].
  std::vector<uint32_t> first_, members_;
  std::vector<uint32_t> active_;
  int y_;
  std::vector<Piece> pieces_;
  std::vector<double> cuts_;
  std::vector<Crossing> band_;
  std::vector<int64_t> sum_;
  bool even_ = false;
};

}  // namespace selvage::worker
