#include "cache/lru_tile_store.h"

namespace selvage {
namespace {

// A list node, a hash node and two heap blocks: small tiles are not free.
constexpr uint64_t kOverheadBytes = 200;

uint64_t Cost(const StoredTile& tile) { return tile.data.size() + kOverheadBytes; }

}  // namespace

LruTileStore::LruTileStore(uint64_t capacity_bytes) : capacity_bytes_(capacity_bytes) {}

absl::StatusOr<std::vector<std::optional<std::string>>> LruTileStore::Get(std::span<const Digest> digests) {
  std::vector<std::optional<std::string>> found(digests.size());
  MutexLock lock(&mutex_);
  for (size_t i = 0; i < digests.size(); ++i) {
    const auto it = where_.find(digests[i]);
    if (it == where_.end()) continue;
    order_.splice(order_.begin(), order_, it->second);
    found[i] = it->second->data;
  }
  return found;
}

absl::StatusOr<std::vector<Digest>> LruTileStore::FindMissing(std::span<const Digest> digests) {
  std::vector<Digest> missing;
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    if (!where_.contains(d)) missing.push_back(d);
  }
  return missing;
}

absl::Status LruTileStore::Put(std::span<const StoredTile> tiles) {
  MutexLock lock(&mutex_);
  for (const StoredTile& t : tiles) {
    const uint64_t cost = Cost(t);
    if (cost > capacity_bytes_) continue;
    if (const auto it = where_.find(t.digest); it != where_.end()) {
      order_.splice(order_.begin(), order_, it->second);
      continue;
    }
    while (bytes_ + cost > capacity_bytes_) RemoveLocked(std::prev(order_.end()));
    order_.push_front(t);
    where_.emplace(t.digest, order_.begin());
    bytes_ += cost;
  }
  return absl::OkStatus();
}

absl::Status LruTileStore::MakeDurable() { return absl::OkStatus(); }

absl::Status LruTileStore::Delete(std::span<const Digest> digests) {
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    if (const auto it = where_.find(d); it != where_.end()) RemoveLocked(it->second);
  }
  return absl::OkStatus();
}

uint64_t LruTileStore::bytes() const {
  MutexLock lock(&mutex_);
  return bytes_;
}

void LruTileStore::RemoveLocked(Order::iterator tile) {
  bytes_ -= Cost(*tile);
  where_.erase(tile->digest);
  order_.erase(tile);
}

}  // namespace selvage
