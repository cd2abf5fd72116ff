#include "cache/bounded_tile_store.h"

#include "proto/status.h"

namespace selvage {

BoundedTileStore::BoundedTileStore(std::shared_ptr<TileStore> below, std::shared_ptr<Fill> fill,
                                   std::shared_ptr<TilePins> pins)
    : below_(std::move(below)), fill_(std::move(fill)), pins_(std::move(pins)) {}

absl::StatusOr<std::vector<std::optional<std::string>>> BoundedTileStore::Get(std::span<const Digest> digests) {
  return below_->Get(digests);
}

absl::StatusOr<std::vector<Digest>> BoundedTileStore::FindMissing(std::span<const Digest> digests) {
  // Before looking: what is found now is still there when the worker commits.
  pins_->Touch(digests);
  return below_->FindMissing(digests);
}

absl::Status BoundedTileStore::Put(std::span<const StoredTile> tiles) {
  if (fill_->full())
    return absl::ResourceExhaustedError(
        "the cache is full: new results are kept again as soon as older ones have been evicted");
  std::vector<Digest> digests;
  uint64_t bytes = 0;
  for (const StoredTile& t : tiles) {
    digests.push_back(t.digest);
    bytes += t.data.size();
  }
  pins_->Touch(digests);
  RETURN_IF_ERROR(below_->Put(tiles));
  fill_->Added(bytes);
  return absl::OkStatus();
}

absl::Status BoundedTileStore::MakeDurable() { return below_->MakeDurable(); }
absl::Status BoundedTileStore::Delete(std::span<const Digest> digests) { return below_->Delete(digests); }

absl::Status BoundedTileStore::Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) {
  return below_->Scan(visit);
}

}  // namespace selvage
