// Keeps the cache within its budget by forgetting the results that are worth
// least for their bytes.
#pragma once

#include <atomic>
#include <chrono>
#include <functional>
#include <memory>
#include <span>
#include <thread>
#include <unordered_map>
#include <unordered_set>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "cache/space.h"
#include "cache/tile_pins.h"
#include "cache/tile_store.h"
#include "cache/use_counts.h"
#include "proto/mutex.h"

namespace selvage {

struct EvictorOptions {
  // Where the disk has less than this, what it has.
  uint64_t budget_bytes = 0;
  // Shares of the budget: eviction begins above `begin` and goes on until what
  // is alive takes no more than `end`. New tiles are refused at 95 % (space.h).
  double begin = 0.85;
  double end = 0.70;
  // Between two measurements, unless the cache fills up meanwhile.
  std::chrono::milliseconds tick{1000};
};

enum class Keep { kNormal, kPinned, kFirstToGo };

// worth = seconds to render x (1 + uses) / bytes. Age and order of use don't
// matter, so that playing a shot through that is larger than the cache keeps a
// steady part of it, where least-recently-used would keep nothing.
//
// Nothing here looks at the whole index. The index keeps results in the order of
// their worth, as far as it is known there: uses, pins and wishes change without
// its being told. Eviction takes results from the cheap end and looks at each
// again. One that is worth more now is moved to where it belongs; one that is
// pinned is set aside, to the far end, and comes back when its pin goes. For
// everything else that moves a place down (uses that fade, wishes that are
// withdrawn) a hand goes round the order, as many steps as eviction takes.
//
// A result is unindexed first, durably; then its tiles are deleted that no
// other result names. What a crash in between, or an upload that never was
// committed, leaves behind is swept by a second hand, which goes round the tiles
// at most once an hour.
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
  // Besides pins; asked when eviction runs, from its thread. Must not call this
  // object. `first_to_go` lists all for which `keep` says kFirstToGo; some may not
  // be there.
  void SetKeep(std::function<Keep(const ResultKey&)> keep, std::function<std::vector<ResultKey>()> first_to_go);

  // Asked from its thread when everything else is gone and there is still more than `begin`:
  // unpins some results; false: there are none that it could.
  void SetGiveWay(std::function<bool()> give_way);

  void NoteUse(std::span<const ResultKey> keys) { uses_.Note(keys); }

  // Looks after the budget from a thread of its own. Stop waits for a step to end.
  void Start();
  void Stop();

  // Measures, and evicts if need be: what the thread does at each tick.
  absl::Status RunOnce();
  // Nothing is evicted while it is held. Waits for a run to end.
  MutexLock Hold() ABSL_NO_THREAD_SAFETY_ANALYSIS { return MutexLock(&run_mutex_); }
  uint64_t evicted() const { return evicted_; }

 private:
  struct Looked {
    uint64_t evicted = 0, freed_bytes = 0, moved = 0;
  };

  void Loop();
  struct Usage {
    uint64_t used, budget;
  };
  Usage Measure() ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  absl::Status MakeRoom(Usage now) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  absl::StatusOr<uint64_t> SweepFirst() ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // Returns how many results were evicted. `must`: of these bytes, what is worth giving way for.
  absl::StatusOr<uint64_t> EvictBytes(uint64_t bytes, uint64_t must) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // Puts those where they belong whose pin went since they were set aside.
  absl::Status BringBack() ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // Those whose stack wants nothing kept.
  absl::StatusOr<Looked> EvictFirstToGo(uint64_t bytes) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // From the cheap end of the order.
  absl::StatusOr<Looked> EvictCheapest(uint64_t bytes) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // Looks at results again: moves those whose place is another by now and, in
  // order, evicts the others until `bytes` are free. With 0 it only moves.
  // This and what follows REQUIRES: a ScopedDeletion.
  absl::StatusOr<Looked> Look(std::span<const WorthPlace> places, uint64_t bytes)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // One step of a hand that goes round the order from `first` on.
  absl::StatusOr<Looked> Turn(WorthPlace* hand, const WorthPlace& first) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  // Deletes tiles that no result names: looks at the next `count`. Returns how many went.
  absl::StatusOr<uint64_t> Sweep(size_t count) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  absl::StatusOr<uint64_t> DeleteUnnamed(std::vector<Digest> tiles) ABSL_EXCLUSIVE_LOCKS_REQUIRED(run_mutex_);
  Keep KeepOfLocked(const ResultKey& key) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(pins_mutex_);
  void SaveUses();

  const std::shared_ptr<TileStore> tiles_;
  const std::shared_ptr<ResultIndex> index_;
  const std::shared_ptr<TilePins> tile_pins_;
  const std::shared_ptr<Fill> fill_;
  const std::shared_ptr<Space> space_;
  const EvictorOptions options_;
  UseCounts uses_;
  std::atomic<uint64_t> evicted_{0};

  // One run at a time.
  Mutex run_mutex_;
  // Goes round all places; goes round those set aside, when there is nothing else left.
  WorthPlace hand_ ABSL_GUARDED_BY(run_mutex_);
  WorthPlace aside_hand_ ABSL_GUARDED_BY(run_mutex_){kSetAside};
  // The last tile that was looked at; none at the beginning of a round.
  Digest swept_ ABSL_GUARDED_BY(run_mutex_);
  std::chrono::steady_clock::time_point next_sweep_ ABSL_GUARDED_BY(run_mutex_){};

  Mutex pins_mutex_;
  std::unordered_map<ResultKey, int, DigestHash> pinned_ ABSL_GUARDED_BY(pins_mutex_);
  // Pinned results that were set aside, and those of them whose pin went since.
  std::unordered_set<ResultKey, DigestHash> aside_ ABSL_GUARDED_BY(pins_mutex_);
  std::vector<ResultKey> returned_ ABSL_GUARDED_BY(pins_mutex_);
  std::function<Keep(const ResultKey&)> keep_ ABSL_GUARDED_BY(pins_mutex_);
  std::function<std::vector<ResultKey>()> first_to_go_ ABSL_GUARDED_BY(pins_mutex_);
  std::function<bool()> give_way_ ABSL_GUARDED_BY(pins_mutex_);

  std::atomic<bool> stopping_{false};
  std::thread thread_;
};

}  // namespace selvage
