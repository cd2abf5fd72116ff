// A result on its way into the store: samples to tiles, tiles to digests, and
// only what the store lacks is written.
#pragma once

#include <memory>
#include <string>
#include <unordered_map>

#include "absl/status/status.h"
#include "cache/manifest.h"
#include "cache/tile_store.h"
#include "worker/image.h"
#include "worker/memory.h"

namespace selvage {

class ResultWriter {
 public:
  ResultWriter(std::shared_ptr<TileStore> store, Memory* memory) : store_(std::move(store)), memory_(memory) {}

  // Starts a picture; tiles may then come in any order.
  void BeginPicture(Kind kind, const Rect& window, bool full_precision);
  // All whole tiles of the grid that `picture` covers. Samples become what
  // FloatToStored (kernels/half.h) makes of them.
  absl::Status Add(const Picture& picture);
  // A blob in one piece.
  absl::Status AddBlob(const std::string& bytes);

  // Writes what is missing and gives the manifest.
  absl::StatusOr<Manifest> Finish();
  // Writes again whatever the store lacks of the last result.
  absl::Status Rewrite();

 private:
  TileRef Take(std::string content);

  const std::shared_ptr<TileStore> store_;
  Memory* const memory_;
  Manifest manifest_;
  std::vector<TileRef> tiles_;
  std::unordered_map<Digest, std::shared_ptr<const std::string>, DigestHash> contents_;
};

}  // namespace selvage
