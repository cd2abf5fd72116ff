// Reading and writing the packed tiles of a Manifest.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "proto/cache.pb.h"
#include "proto/digest.h"

namespace selvage {

inline constexpr int kTileSize = 256;
inline constexpr size_t kBlobChunkBytes = 1 << 20;
// DO NOT CHANGE: packed size of a TileRef in Manifest.tiles.
inline constexpr size_t kTileRefBytes = 33;

// A tile in a manifest: by digest, or a constant that is stored nowhere.
// DO NOT CHANGE: tag byte (0 stored, 1 constant), then the digest, or the value's
// bits as little-endian uint32 (binary32 bits, exactly representable at the
// manifest's precision) followed by zeros.
struct TileRef {
  bool constant = false;
  float value = 0;
  Digest digest;
  bool operator==(const TileRef&) const = default;
};

// The tile grid of a window: tiles anchored at (0,0), cut to the window.
struct TileGrid {
  explicit TileGrid(const Window& w);
  int first_column, first_row, columns, rows;
  Window window;
  int count() const { return columns * rows; }
  // Pixels of the tile at grid position (column, row), 0-based from the window's
  // first tile, cut to the window.
  Window TileWindow(int column, int row) const;
};

// Tile `index` of channel `channel` is number channel * grid.count() + row * columns + column.
TileRef GetTile(const Manifest& m, size_t number);
void AppendTile(Manifest* m, const TileRef& tile);
size_t TileCount(const Manifest& m);

// Digests of all tiles that have bytes in a store, without repeats, in order.
std::vector<Digest> StoredDigests(const Manifest& m);

// Digest of the content that a manifest describes, from canonical bytes (kind,
// window, precision, tiles): equal content, equal digest.
Digest ContentDigest(const Manifest& m);

// Shape, bounds and counts of a manifest that came over the network or the disk.
absl::Status ValidateManifest(const Manifest& m);

}  // namespace selvage
