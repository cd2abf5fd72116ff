#include "cache/memory_tile_store.h"

namespace selvage {

MemoryTileStore::MemoryTileStore(uint64_t capacity_bytes) : capacity_bytes_(capacity_bytes) {}

absl::StatusOr<std::vector<std::optional<std::string>>> MemoryTileStore::Get(std::span<const Digest> digests) {
  std::vector<std::optional<std::string>> found;
  found.reserve(digests.size());
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    const auto it = tiles_.find(d);
    found.push_back(it == tiles_.end() ? std::nullopt : std::optional(it->second));
  }
  return found;
}

absl::StatusOr<std::vector<Digest>> MemoryTileStore::FindMissing(std::span<const Digest> digests) {
  std::vector<Digest> missing;
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    if (!tiles_.contains(d)) missing.push_back(d);
  }
  return missing;
}

absl::Status MemoryTileStore::Put(std::span<const StoredTile> tiles) {
  MutexLock lock(&mutex_);
  uint64_t more = 0;
  for (const StoredTile& t : tiles) {
    if (!tiles_.contains(t.digest)) more += t.data.size();
  }
  if (more > capacity_bytes_ - bytes_) return absl::ResourceExhaustedError("the tile store is full");
  for (const StoredTile& t : tiles) {
    if (tiles_.try_emplace(t.digest, t.data).second) bytes_ += t.data.size();
  }
  return absl::OkStatus();
}

absl::Status MemoryTileStore::MakeDurable() { return absl::OkStatus(); }

absl::Status MemoryTileStore::Delete(std::span<const Digest> digests) {
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    const auto it = tiles_.find(d);
    if (it == tiles_.end()) continue;
    bytes_ -= it->second.size();
    tiles_.erase(it);
  }
  return absl::OkStatus();
}

absl::StatusOr<std::vector<Digest>> MemoryTileStore::List(const Digest& after, size_t count) {
  std::vector<Digest> held;
  MutexLock lock(&mutex_);
  for (auto it = tiles_.upper_bound(after); it != tiles_.end() && held.size() < count; ++it) held.push_back(it->first);
  return held;
}

absl::Status MemoryTileStore::Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) {
  // A copy, so that the visitor may call the store.
  std::vector<std::pair<Digest, uint64_t>> held;
  {
    MutexLock lock(&mutex_);
    held.reserve(tiles_.size());
    for (const auto& [digest, data] : tiles_) held.emplace_back(digest, data.size());
  }
  for (const auto& [digest, bytes] : held) visit(digest, bytes);
  return absl::OkStatus();
}

uint64_t MemoryTileStore::bytes() const {
  MutexLock lock(&mutex_);
  return bytes_;
}

uint64_t MemoryTileStore::count() const {
  MutexLock lock(&mutex_);
  return tiles_.size();
}

}  // namespace selvage
