// A picture as tiles: what a result reads like, whether its bytes come from a store or
// from memory.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "cache/manifest.h"
#include "worker/chain/source.h"
#include "worker/picture/window.h"

namespace selvage::worker {

// Samples of a tile as they are stored.
using TileContent = std::shared_ptr<const std::string>;

// Numbers of the tiles that `rect` (inside the window) meets.
template <class Visit>
void EachTileOf(const TileGrid& grid, const Rect& rect, const Visit& visit) {
  const auto tile_of = [](int v) { return v >= 0 ? v / kTileSize : -((-v + kTileSize - 1) / kTileSize); };
  if (rect.empty()) return;
  for (int r = tile_of(rect.y0) - grid.first_row; r <= tile_of(rect.y1 - 1) - grid.first_row; ++r) {
    for (int c = tile_of(rect.x0) - grid.first_column; c <= tile_of(rect.x1 - 1) - grid.first_column; ++c) {
      visit(r * grid.columns + c);
    }
  }
}

class TiledSource : public Source {
 public:
  Kind kind() const override { return manifest_.kind(); }
  Rect window() const override { return ToRect(manifest_.window()); }
  // The same bytes wherever the tiles are, so that tile keys are, too.
  absl::Status Describe(const Rect& rect, std::string* out) override;
  absl::Status Read(const Rect& rect, Picture* out) override;

 protected:
  explicit TiledSource(const Manifest& manifest) : manifest_(manifest), grid_(manifest.window()) {}

  // Of a tile that is not constant.
  virtual absl::StatusOr<TileContent> ContentOf(size_t number, const TileRef& tile) = 0;

  size_t Number(int channel, int place) const { return static_cast<size_t>(channel) * grid_.count() + place; }
  TileRef Tile(size_t number) const { return GetTile(manifest_, number); }

  Manifest manifest_;
  const TileGrid grid_;

 private:
  std::optional<float> ConstantOver(const Rect& rect, int channel) const;
  absl::Status CopyTile(int channel, int place, Plane* plane);
};

}  // namespace selvage::worker
