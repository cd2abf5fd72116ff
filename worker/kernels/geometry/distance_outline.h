// Exact Euclidean distance from pixel centres to an outline.
#pragma once

#include <vector>

#include "worker/kernels/geometry/coverage.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Whether a chord comes within `reach` px (in x and in y) of the rectangle.
bool ComesNear(const Chord& chord, const Rect& rect, double reach);

// The pieces of `chords` within `reach` of `rect` that have unfilled area on one
// side, under the non-zero rule: chords are split where others cross or touch
// them, and pieces inside the filled region are dropped.
std::vector<Chord> NonZeroBoundary(const std::vector<Chord>& chords, const Rect& rect, double reach);

// Distance of every pixel centre of out->rect() to the nearest chord, at most
// `limit`. Exact in binary64 (a minimum over all chords that can be nearest, so
// the same bits whatever rectangle is asked for), rounded once to binary32.
void OutlineDistance(const std::vector<Chord>& chords, double limit, Plane* out);

}  // namespace selvage::worker
