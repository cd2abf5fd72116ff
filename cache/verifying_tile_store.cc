#include "cache/verifying_tile_store.h"

#include <unordered_set>

#include "cache/tile_codec.h"
#include "proto/status.h"

namespace selvage {

VerifyingTileStore::VerifyingTileStore(std::shared_ptr<TileStore> below) : below_(std::move(below)) {}

absl::StatusOr<std::vector<std::optional<std::string>>> VerifyingTileStore::Get(std::span<const Digest> digests) {
  ASSIGN_OR_RETURN(auto found, below_->Get(digests));
  std::vector<Digest> damaged, absent;
  for (size_t i = 0; i < found.size(); ++i) {
    if (!found[i]) {
      absent.push_back(digests[i]);
    } else if (!DecodeVerified(*found[i], digests[i]).ok()) {
      found[i].reset();
      damaged.push_back(digests[i]);
    }
  }
  if (!absent.empty()) {
    // Said to be there, and cannot be read: the file that it lies in is damaged.
    ASSIGN_OR_RETURN(const std::vector<Digest> missing, below_->FindMissing(absent));
    const std::unordered_set<Digest, DigestHash> known(missing.begin(), missing.end());
    for (const Digest& d : absent) {
      if (!known.contains(d)) damaged.push_back(d);
    }
  }
  if (!damaged.empty()) {
    damaged_ += damaged.size();
    RETURN_IF_ERROR(below_->Delete(damaged));
  }
  return found;
}

absl::StatusOr<std::vector<Digest>> VerifyingTileStore::FindMissing(std::span<const Digest> digests) {
  return below_->FindMissing(digests);
}

absl::Status VerifyingTileStore::Put(std::span<const StoredTile> tiles) {
  for (const StoredTile& t : tiles) {
    if (const auto content = DecodeVerified(t.data, t.digest); !content.ok()) {
      return absl::InvalidArgumentError(absl::StrCat("tile ", t.digest.Hex(), ": ", content.status().message()));
    }
  }
  return below_->Put(tiles);
}

absl::Status VerifyingTileStore::MakeDurable() { return below_->MakeDurable(); }

absl::Status VerifyingTileStore::Delete(std::span<const Digest> digests) { return below_->Delete(digests); }

absl::Status VerifyingTileStore::Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) {
  return below_->Scan(visit);
}

}  // namespace selvage
