// Keeps the cache within its budget by forgetting the results that are worth
// least for their bytes.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <functional>
#include <memory>
#include <mutex>
#include <span>
#include <thread>
#include <unordered_map>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "cache/space.h"
#include "cache/tile_pins.h"
#include "cache/tile_store.h"
#include "cache/use_counts.h"

namespace selvage {

struct EvictorOptions {
  // Where the disk has less than this, what it has.
  uint64_t budget_bytes = 0;
  // Shares of the budget: eviction begins above `begin` and goes on until what
  // is alive takes no more than `end`. New tiles are refused at 95 % (space.h).
  double begin = 0.85;
  double end = 0.70;
  std::chrono::milliseconds tick{1000};
};

enum class Keep { kNormal, kPinned, kFirstToGo };

// value = seconds to render x (1 + uses) / bytes. Age and order of use don't
// matter, so that playing a shot through that is larger than the cache keeps a
// steady part of it, where least-recently-used would keep nothing.
//
// A result is unindexed first, durably; then its tiles are deleted that no
// other result names. What a crash in between, or an upload that never was
// committed, leaves behind is swept before anything is evicted.
// All methods may be called from any thread.
class Evictor {
 public:
  // `tiles` without bounds and pins of its own.
  Evictor(std::shared_ptr<TileStore> tiles, std::shared_ptr<ResultIndex> index, std::shared_ptr<TilePins> pins,
          std::shared_ptr<Fill> fill, std::shared_ptr<Space> space, const EvictorOptions& options);
  ~Evictor();

  // Counted. Pin, then look a result up: if it is there, it stays. Waits for one
  // synced write while eviction runs.
  void Pin(std::span<const ResultKey> keys);
  void Unpin(std::span<const ResultKey> keys);
  // Besides pins; asked of every result when eviction runs, from its thread.
  // Must not call this object.
  void SetKeep(std::function<Keep(const ResultKey&)> keep);

  void NoteUse(std::span<const ResultKey> keys) { uses_.Note(keys); }

  // Looks after the budget from a thread of its own. Stop waits for a step to end.
  void Start();
  void Stop();

  // Measures, and evicts if need be: what the thread does at each tick.
  absl::Status RunOnce();
  // Nothing is evicted while it is held. Waits for a run to end.
  std::unique_lock<std::mutex> Hold() { return std::unique_lock(run_mutex_); }
  // Deletes tiles that no result names. Returns how many.
  absl::StatusOr<uint64_t> SweepOrphans();

  uint64_t evicted() const { return evicted_; }

 private:
  struct Candidate {
    double value;
    uint64_t bytes;
    ResultKey key;
  };
  struct Victims {
    std::vector<ResultKey> keys;
    // Tiles of each, as far as no result that stays names them.
    std::vector<std::vector<Digest>> tiles;
    // How many victims that are still indexed name a tile.
    std::unordered_map<Digest, int, DigestHash> names;
  };

  void Loop();
  struct Usage {
    uint64_t used, budget;
  };
  Usage Measure();
  absl::Status MakeRoom(Usage now);
  // Returns how many results were evicted.
  absl::StatusOr<uint64_t> EvictBytes(uint64_t bytes);
  absl::StatusOr<std::vector<Candidate>> Rank();
  absl::StatusOr<Victims> Mark(std::vector<ResultKey> keys);
  absl::StatusOr<uint64_t> Remove(Victims victims);
  // Unindexes those that nobody has pinned meanwhile; returns which, by place.
  absl::StatusOr<std::vector<size_t>> Unindex(const std::vector<ResultKey>& keys, size_t first, size_t last);
  absl::Status DeleteTiles(const std::vector<Digest>& digests);
  Keep KeepOf(const ResultKey& key);
  void SaveUses();

  const std::shared_ptr<TileStore> tiles_;
  const std::shared_ptr<ResultIndex> index_;
  const std::shared_ptr<TilePins> tile_pins_;
  const std::shared_ptr<Fill> fill_;
  const std::shared_ptr<Space> space_;
  const EvictorOptions options_;
  UseCounts uses_;
  std::atomic<uint64_t> evicted_{0};

  // One run at a time; guards what follows.
  std::mutex run_mutex_;
  std::chrono::steady_clock::time_point next_sweep_{};

  std::mutex pins_mutex_;
  // Guarded by pins_mutex_.
  std::unordered_map<ResultKey, int, DigestHash> pinned_;
  std::function<Keep(const ResultKey&)> keep_;

  std::mutex stop_mutex_;
  std::condition_variable stop_wake_;
  // Guarded by stop_mutex_.
  bool stopping_ = false;

  std::thread thread_;
};

}  // namespace selvage
