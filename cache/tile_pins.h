// Keeps tiles from being deleted between the check that they are there and the
// commit that names them.
#pragma once

#include <span>
#include <unordered_map>
#include <unordered_set>

#include "absl/status/status.h"
#include "cache/tile_store.h"
#include "proto/digest.h"
#include "proto/mutex.h"

namespace selvage {

// All methods may be called from any thread.
class TilePins {
 public:
  // Counted. Pin, then look whether the tiles are there, then commit, then
  // unpin: what was found there stays.
  void Pin(std::span<const Digest> digests);
  void Unpin(std::span<const Digest> digests);

  // Counts as pinned for the deletion that runs, if one does: tiles on their way
  // in, which no result names yet.
  void Touch(std::span<const Digest> digests);

  // From here on to EndDeletion, every digest that is or was pinned or touched
  // is spared. One deletion at a time.
  void BeginDeletion();
  void EndDeletion();

  // Deletes those that are not spared. Pin waits meanwhile, so keep it to a few
  // hundred. REQUIRES: between BeginDeletion and EndDeletion.
  absl::Status DeleteUnpinned(TileStore* tiles, std::span<const Digest> digests);

 private:
  Mutex mutex_;
  std::unordered_map<Digest, int, DigestHash> pinned_ ABSL_GUARDED_BY(mutex_);
  bool deleting_ ABSL_GUARDED_BY(mutex_) = false;
  std::unordered_set<Digest, DigestHash> spared_ ABSL_GUARDED_BY(mutex_);
};

// Pins for a scope.
class ScopedTilePins {
 public:
  ScopedTilePins(TilePins* pins, std::vector<Digest> digests) : pins_(pins), digests_(std::move(digests)) {
    pins_->Pin(digests_);
  }
  ~ScopedTilePins() { pins_->Unpin(digests_); }
  ScopedTilePins(const ScopedTilePins&) = delete;
  ScopedTilePins& operator=(const ScopedTilePins&) = delete;

 private:
  TilePins* const pins_;
  const std::vector<Digest> digests_;
};

}  // namespace selvage
