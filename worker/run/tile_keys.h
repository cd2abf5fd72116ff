// Which tiles of a light chain's result need not be rendered again.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/manifest.h"
#include "cache/tile_store.h"
#include "proto/farm.pb.h"
#include "worker/chain/chain.h"

namespace selvage::worker {

// A key for each place of the grid of chain.window(): equal keys, equal pixels.
//   key = H("selvage tile", recipe, shape of the chain, its place,
//           what is read for it: digests of the input tiles within reach)
// `recipe` holds operators, revisions, parameters, epoch, format and plates
// (TaskSpec.tile_recipe). A key is only ever compared with that of the same
// place, but holds for itself.
absl::StatusOr<std::string> TileKeys(const Chain& chain, const Digest& recipe, const TileGrid& grid);

// The same for a blob, as a whole. REQUIRES: chain.ReadsOnlyPictures().
absl::StatusOr<std::string> BlobKey(const Chain& chain, const Digest& recipe);

// Places of a result like `shape` (a manifest without tiles) that `earlier` has
// under the same key; its bytes included, unless `store` is null.
absl::StatusOr<std::vector<bool>> SameTiles(const EarlierResult& earlier, const Manifest& shape,
                                            const std::string& keys, TileStore* store);

// Appends rectangles that cover each wanted tile that begins in `block` once,
// and nothing else.
void CoverTiles(const TileGrid& grid, const Rect& block, const std::vector<bool>& wanted, std::vector<Rect>* rects);

}  // namespace selvage::worker
