// A result on its way into the store: samples to tiles, tiles to digests, and
// only what the store lacks is written.
#pragma once

#include <memory>
#include <string>
#include <unordered_map>

#include "absl/status/status.h"
#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "cache/tile_store.h"
#include "worker/chain/spans.h"
#include "worker/picture/image.h"
#include "worker/run/decoded_cache.h"

namespace selvage::worker {

class ResultWriter {
 public:
  // `spans`: where the time is written down that goes into tiles.
  ResultWriter(std::shared_ptr<TileStore> store, DecodedCache* memory, const TaskSpans& spans = {})
      : store_(std::move(store)), memory_(memory), spans_(spans) {}

  // Starts a picture; tiles may then come in any order.
  void BeginPicture(Kind kind, const Rect& window, bool full_precision);
  // Without tiles yet.
  const Manifest& manifest() const { return manifest_; }
  // All whole tiles of the grid that `picture` covers. Samples become what
  // FloatToStored (kernels/pixels/half.h) makes of them.
  absl::Status Add(const Picture& picture);
  // Takes a tile of the picture, of all channels, over from an earlier result
  // of the same shape; its bytes are in the store already.
  void TakeOver(const Manifest& earlier, int place);
  // A blob in one piece.
  absl::Status AddBlob(const std::string& bytes);
  // The bytes of an earlier one, which are in the store already.
  void TakeOverBlob(const Manifest& earlier);

  // Gives the manifest; nothing is added after this.
  absl::StatusOr<Manifest> Finish();
  // Then, as often as need be, and by several threads: writes whatever the store lacks.
  // Errors: UNAVAILABLE a reused tile is gone from it.
  absl::Status Store(const TaskSpans& spans = {}) const;

 private:
  // A content and what its bytes are.
  struct Held {
    std::shared_ptr<const std::string> content;  // null for a reused tile
    TileLayout layout;
  };

  TileRef TakeChunk(std::string content);

  const std::shared_ptr<TileStore> store_;
  DecodedCache* const memory_;
  // Ends before Store.
  const TaskSpans spans_;
  Manifest manifest_;
  std::vector<TileRef> tiles_;
  std::unordered_map<Digest, Held, DigestHash> contents_;
};

}  // namespace selvage::worker
