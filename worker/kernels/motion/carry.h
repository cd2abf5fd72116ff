// Carries outlines from one frame to a neighbouring one by the picture's motion.
#pragma once

#include <vector>

#include "worker/kernels/geometry/coverage.h"
#include "worker/kernels/motion/motion_pair.h"

namespace selvage::worker {

// How a shape moved: p goes to p + Of(p).
//
// Evidence are the cells that the shape covers. Each counts by how much of it is
// covered, by its grip and only in the direction that it has grip in, and only if
// the vector back from where it leads comes home (within a pixel and a
// sixteenth of the way). An affine motion is fitted to them all, without outliers:
// Geman & McClure's weights, begun wide and narrowed step by step (Blake &
// Zisserman 1987), so that the greater part wins wherever it starts. What the
// cells near a point agree to move by beyond that is added with biweights of the
// distance, so that cloth may bend and limbs may turn, and a single wrong vector
// throws nothing.
class ShapeMotion {
 public:
  // Evidence below these shares is no motion: "lost".
  static constexpr double kLeastAgreement = 0.3;
  // Sure cells.
  static constexpr double kLeastEvidence = 0.5;

  // `outline` in pixels, closed. `around`: the cells that lie about the shape, not
  // those in it.
  ShapeMotion(const std::vector<Chord>& outline, FillRule rule, bool around, const MotionPair::Way& way,
              const MotionPair::Way& back);

  // Nothing can be said of where the shape went: hardly anything in it has grip,
  // or most of that does not move together, or it would shrink or grow fourfold.
  bool lost() const { return lost_; }
  Point Of(Point p) const;

 private:
  // One cell's evidence.
  struct Cell {
    double x, y;
    // How far it moved in pixels; once the fit is made, beyond that.
    double u, v;
    // Normalised grip, trace 0..1, times the covered share.
    double xx, xy, yy;
    double trace() const { return xx + yy; }
  };
  // With (x, y) in radii from the middle: dx = a + (p + m) x + (n - q) y,
  // dy = b + (q + n) x + (p - m) y; growth p, turn q, stretches m and n.
  struct Affine {
    double a = 0, b = 0, p = 0, q = 0, m = 0, n = 0;
  };

  void Collect(const std::vector<Chord>& outline, FillRule rule, bool around, const MotionPair::Way& way,
               const MotionPair::Way& back);
  void Fit();
  void Solve(double scale);
  Point AffineAt(double x, double y) const;
  // Squared distance of a cell's motion from (u, v), as far as its grip sees it.
  static double Off(const Cell& cell, double u, double v);

  std::vector<Cell> cells_;
  // Evidence before the way back was checked.
  double all_ = 0;
  double cx_ = 0, cy_ = 0, radius_ = 1;
  Affine affine_;
  bool lost_ = false;
  // Share of the evidence that moves together, 0..1.
  double agreement_ = 1;
  // Cells by row, for those near a point.
  int first_row_ = 0;
  std::vector<size_t> row_begin_;
};

}  // namespace selvage::worker
