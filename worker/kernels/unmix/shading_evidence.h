// Whether a colour between foreground and screen is a spilled solid or a veil:
// how it varies from place to place tells. Recipe in worker/kernels/README.md.
#pragma once

#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {

// On the cells of FieldGrid: near 1 where
// colours vary as those of something solid do (light and dark of its own colour C),
// near -1 where they vary as coverage does (along C - S), about 0 where noise is all
// that can be seen.
Plane ShadingEvidence(const ScreenView& view);

// The same of how neighbours differ: what a mesh, a lattice or a bush shows between
// the edges of other things. 0 but for `where`, places of CoreGrid.
Plane FineShadingEvidence(const ScreenView& view, const Rgb& color, const Rgb& screen, const Bitmap& where);

}  // namespace selvage::worker
