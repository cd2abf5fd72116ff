#include "cache/read_through_tile_store.h"

#include "proto/status.h"

namespace selvage {

ReadThroughTileStore::ReadThroughTileStore(std::shared_ptr<TileStore> front, std::shared_ptr<TileStore> back)
    : front_(std::move(front)), back_(std::move(back)) {}

absl::StatusOr<std::vector<std::optional<std::string>>> ReadThroughTileStore::Get(std::span<const Digest> digests) {
  auto near = front_->Get(digests);
  std::vector<std::optional<std::string>> found;
  if (near.ok()) {
    found = *std::move(near);
  } else {
    found.resize(digests.size());
  }
  std::vector<Digest> wanted;
  std::vector<size_t> places;
  for (size_t i = 0; i < digests.size(); ++i) {
    if (found[i]) continue;
    wanted.push_back(digests[i]);
    places.push_back(i);
  }
  if (wanted.empty()) return found;

  ASSIGN_OR_RETURN(auto far, back_->Get(wanted));
  std::vector<StoredTile> keep;
  for (size_t i = 0; i < wanted.size(); ++i) {
    if (far[i]) keep.push_back({wanted[i], *far[i]});
    found[places[i]] = std::move(far[i]);
  }
  front_->Put(keep).IgnoreError();
  return found;
}

absl::StatusOr<std::vector<Digest>> ReadThroughTileStore::FindMissing(std::span<const Digest> digests) {
  return back_->FindMissing(digests);
}

absl::Status ReadThroughTileStore::Put(std::span<const StoredTile> tiles) {
  RETURN_IF_ERROR(back_->Put(tiles));
  front_->Put(tiles).IgnoreError();
  return absl::OkStatus();
}

absl::Status ReadThroughTileStore::MakeDurable() { return back_->MakeDurable(); }

absl::Status ReadThroughTileStore::Delete(std::span<const Digest> digests) {
  front_->Delete(digests).IgnoreError();
  return back_->Delete(digests);
}

absl::Status ReadThroughTileStore::Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) {
  return back_->Scan(visit);
}

}  // namespace selvage
