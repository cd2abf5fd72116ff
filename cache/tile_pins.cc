#include "cache/tile_pins.h"

namespace selvage {

void TilePins::Pin(std::span<const Digest> digests) {
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    ++pinned_[d];
    if (deleting_) spared_.insert(d);
  }
}

void TilePins::Unpin(std::span<const Digest> digests) {
  MutexLock lock(&mutex_);
  for (const Digest& d : digests) {
    const auto it = pinned_.find(d);
    if (it != pinned_.end() && --it->second == 0) pinned_.erase(it);
  }
}

void TilePins::Touch(std::span<const Digest> digests) {
  MutexLock lock(&mutex_);
  if (deleting_) spared_.insert(digests.begin(), digests.end());
}

void TilePins::BeginDeletion() {
  MutexLock lock(&mutex_);
  deleting_ = true;
  spared_.clear();
  for (const auto& [digest, count] : pinned_) spared_.insert(digest);
}

void TilePins::EndDeletion() {
  MutexLock lock(&mutex_);
  deleting_ = false;
  spared_.clear();
}

absl::Status TilePins::DeleteUnpinned(TileStore* tiles, std::span<const Digest> digests) {
  MutexLock lock(&mutex_);
  std::vector<Digest> unpinned;
  for (const Digest& d : digests) {
    if (!spared_.contains(d)) unpinned.push_back(d);
  }
  return unpinned.empty() ? absl::OkStatus() : tiles->Delete(unpinned);
}

}  // namespace selvage
