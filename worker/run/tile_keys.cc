#include "worker/run/tile_keys.h"

#include <algorithm>
#include <unordered_set>

#include "google/protobuf/util/message_differencer.h"
#include "proto/status.h"
#include "worker/picture/window.h"

namespace selvage::worker {
namespace {

constexpr size_t kKeyBytes = 32;

}  // namespace

absl::StatusOr<std::string> TileKeys(const Chain& chain, const Digest& recipe, const TileGrid& grid) {
  // DO NOT CHANGE without another number: keys are kept with results.
  std::string common = "selvage tile 1\n";
  common += recipe.view();
  chain.DescribeShape(&common);
  // Fixed length, so that what follows cannot be taken for a part of it.
  common = Sha256(common).str();
  std::string keys, bytes;
  for (int place = 0; place < grid.count(); ++place) {
    bytes = common;
    RETURN_IF_ERROR(chain.Describe(ToRect(grid.TileWindow(place % grid.columns, place / grid.columns)), &bytes));
    keys += Sha256(bytes).view();
  }
  return keys;
}

absl::StatusOr<std::string> BlobKey(const Chain& chain, const Digest& recipe) {
  // DO NOT CHANGE without another number.
  std::string bytes = "selvage blob 1\n";
  bytes += recipe.view();
  std::string shape;
  chain.DescribeShape(&shape);
  bytes += Sha256(shape).view();
  RETURN_IF_ERROR(chain.DescribeBlob(&bytes));
  return Sha256(bytes).str();
}

absl::StatusOr<std::vector<bool>> SameTiles(const EarlierResult& earlier, const Manifest& shape,
                                            const std::string& keys, TileStore* store) {
  const size_t places = keys.size() / kKeyBytes;
  std::vector<bool> same(places, false);
  Manifest like = earlier.manifest();
  like.clear_tiles();
  if (earlier.tile_keys().size() != keys.size() || !google::protobuf::util::MessageDifferencer::Equals(like, shape) ||
      !ValidateManifest(earlier.manifest()).ok()) {
    return same;
  }
  const auto each_digest = [&](size_t place, const auto& visit) {
    for (size_t number = place; number < TileCount(earlier.manifest()); number += places) {
      const TileRef tile = GetTile(earlier.manifest(), number);
      if (!tile.constant) visit(tile.digest);
    }
  };
  std::unordered_set<Digest, DigestHash> digests;
  for (size_t place = 0; place < places; ++place) {
    same[place] = keys.compare(place * kKeyBytes, kKeyBytes, earlier.tile_keys(), place * kKeyBytes, kKeyBytes) == 0;
    if (same[place]) each_digest(place, [&](const Digest& d) { digests.insert(d); });
  }
  if (digests.empty() || store == nullptr) return same;
  // Nothing pins an earlier result: it may be on its way out of the cache.
  const std::vector<Digest> asked(digests.begin(), digests.end());
  ASSIGN_OR_RETURN(const std::vector<Digest> gone, store->FindMissing(asked));
  const std::unordered_set<Digest, DigestHash> missing(gone.begin(), gone.end());
  for (size_t place = 0; place < places; ++place) {
    if (same[place]) each_digest(place, [&](const Digest& d) { same[place] = same[place] && !missing.contains(d); });
  }
  return same;
}

void CoverTiles(const TileGrid& grid, const Rect& block, const std::vector<bool>& wanted, std::vector<Rect>* rects) {
  const auto first = [](int from, int start) { return std::max(0, from / kTileSize - start); };
  // Blocks lie on the tile grid.
  const int c0 = first(block.x0, grid.first_column), r0 = first(block.y0, grid.first_row);
  const int c1 = std::min(grid.columns, block.x1 / kTileSize - grid.first_column);
  const int r1 = std::min(grid.rows, block.y1 / kTileSize - grid.first_row);
  std::vector<bool> open = wanted;
  const auto all_open = [&](int row, int from, int to) {
    for (int c = from; c < to; ++c) {
      if (!open[row * grid.columns + c]) return false;
    }
    return true;
  };
  for (int r = r0; r < r1; ++r) {
    for (int c = c0; c < c1; ++c) {
      if (!open[r * grid.columns + c]) continue;
      int right = c + 1, bottom = r + 1;
      while (right < c1 && open[r * grid.columns + right]) ++right;
      while (bottom < r1 && all_open(bottom, c, right)) ++bottom;
      for (int y = r; y < bottom; ++y) {
        for (int x = c; x < right; ++x) open[y * grid.columns + x] = false;
      }
      rects->push_back(ToRect(grid.TileWindow(c, r)).Union(ToRect(grid.TileWindow(right - 1, bottom - 1))));
    }
  }
}

}  // namespace selvage::worker
