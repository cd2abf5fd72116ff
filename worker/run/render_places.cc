#include "worker/run/render_places.h"

#include "cache/manifest.h"
#include "proto/status.h"
#include "worker/picture/window.h"
#include "worker/run/tile_keys.h"

namespace selvage::worker {
namespace {

int FloorTo(int v, int side) { return (v >= 0 ? v / side : -((-v + side - 1) / side)) * side; }

}  // namespace

// A tile stays in the processor's cache; a chain with a long reach renders its
// surroundings with every block, so its blocks are larger.
int BlockSide(int reach) {
  int tiles = 1;
  while (tiles < 8 && reach * 8 > tiles * kTileSize) tiles *= 2;
  return tiles * kTileSize;
}

absl::Status RenderPlaces(Chain* chain, const std::vector<bool>& wanted, const std::function<bool()>& stopped,
                          const std::function<absl::Status(const Picture&)>& take) {
  const Rect window = chain->window();
  const TileGrid grid(ToWindow(window));
  const int side = BlockSide(chain->Reach());
  Picture picture;
  for (int y = FloorTo(window.y0, side); y < window.y1; y += side) {
    std::vector<Rect> rects;
    for (int x = FloorTo(window.x0, side); x < window.x1; x += side) {
      CoverTiles(grid, {x, y, x + side, y + side}, wanted, &rects);
    }
    if (rects.empty()) continue;
    // A row of blocks at a time: few calls to a store that may be far away.
    RETURN_IF_ERROR(chain->Prefetch(rects));
    for (const Rect& rect : rects) {
      if (stopped()) return absl::CancelledError("cancelled: no job needs this");
      RETURN_IF_ERROR(chain->Render(rect, &picture));
      RETURN_IF_ERROR(take(picture));
    }
  }
  return absl::OkStatus();
}

}  // namespace selvage::worker
