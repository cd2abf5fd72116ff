// From samples to a tile as it is stored: rounded, and under the digest of its bytes.
#pragma once

#include <memory>
#include <string>

#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// A result without its tiles.
Manifest ShapeOf(Kind kind, const Rect& window, bool full_precision);
TileLayout LayoutOf(const Rect& area, bool full_precision);

struct MadeTile {
  TileRef ref;
  // Null for a constant tile.
  std::shared_ptr<const std::string> content;
};
// Samples over `area`, which the plane covers, become what FloatToStored
// (kernels/pixels/half.h) makes of them.
MadeTile MakeTile(const Plane& plane, const Rect& area, bool full_precision);

}  // namespace selvage::worker
