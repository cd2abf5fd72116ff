// Masks: filled outlines to mattes.
#pragma once

#include <vector>

#include "absl/status/status.h"
#include "proto/farm.pb.h"
#include "worker/kernels/geometry/coverage.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Draws `mask` over out->rect(), absolute pixels, pixel (x, y) being the square
// [x, x+1) x [y, y+1). A pixel has the same bits whatever rectangle it is asked
// for in. Sets out->constant where no edge reaches the rectangle.
//
// Outline: curves become chords at most 1/256 px away; the number of chords
// depends on the curve alone.
// Coverage c: the exact area of the filled region in the pixel, to about 2^-32
// (kernels/geometry/coverage.h). A true winding count decides what is filled, so
// overlapping and self-crossing sub-paths are right under both rules.
// Feather f: with d the exact Euclidean distance of the pixel's centre to the
// outline and S(t) = 3t^2 - 2t^3 of t clamped to 0..1,
//   f > 0 (outward)  c + (1 - c) (1 - S(d/f))
//   f < 0 (inward)   c S(d/|f|)
// which are 1 inside (0 outside) the outline and tend to c as f goes to 0. Path
// that lies inside the filled region is no part of the outline inward.
// Then times opacity, then shapes in order: maximum, or x (1 - shape) for
// `subtract`; then, with a shutter, the mean of what the instants gave; then
// 1 - x for `invert`.
//
// Errors: INVALID_ARGUMENT a path that is no list of curves or not finite, or
// outlines of more than 8 million chords, or shapes that don't divide into the instants.
absl::Status RenderMask(const ResolvedMask& mask, Plane* out);

// Appends one sub-path (2 + 6n numbers) as chords, closed. Errors as above.
absl::Status FlattenPath(const google::protobuf::RepeatedField<double>& xy, std::vector<Chord>* chords);

}  // namespace selvage::worker
