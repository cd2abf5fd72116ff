// Turns many small commits into few synced ones.
#pragma once

#include <chrono>
#include <functional>
#include <memory>
#include <span>
#include <thread>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "cache/tile_pins.h"
#include "cache/tile_store.h"
#include "proto/mutex.h"

namespace selvage {

struct CommitterOptions {
  // While commits come steadily, one synced write covers this long...
  std::chrono::milliseconds interval{25};
  // ...or this many bytes of tiles. The first after a pause goes at once.
  uint64_t max_bytes = 64 << 20;
};

// Bytes first: a group's tiles are there and durable before the index names
// them, and eviction keeps its hands off them in between.
// All methods may be called from any thread but the callbacks'.
class Committer {
 public:
  // Sequence number of the part's last journal entry (of the newest one before
  // it if it has none). Called on the committer's thread; must not block.
  // Errors: FAILED_PRECONDITION the store lacks tiles of a result in the part
  // (FindMissing says which): write them and hand the part in again;
  // RESOURCE_EXHAUSTED no space: nothing was written; those of the stores.
  using Done = std::function<void(absl::StatusOr<uint64_t>)>;

  Committer(std::shared_ptr<TileStore> tiles, std::shared_ptr<ResultIndex> index, std::shared_ptr<TilePins> pins,
            const CommitterOptions& options = {});
  // Commits what was handed in, calls everybody back, then returns.
  ~Committer();

  void Add(IndexBatch part, Done done);
  // Waits for the part.
  absl::StatusOr<uint64_t> Commit(IndexBatch part);

 private:
  struct Part {
    IndexBatch batch;
    Done done;
  };
  void Run();
  // REQUIRES: something waits.
  std::vector<Part> TakeGroupLocked() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void CommitGroup(std::vector<Part> group);
  // Takes the parts out whose tiles are not all there and calls them back.
  absl::Status RefuseIncomplete(std::vector<Part>* group);
  absl::StatusOr<uint64_t> Write(std::span<Part> group);

  const std::shared_ptr<TileStore> tiles_;
  const std::shared_ptr<ResultIndex> index_;
  const std::shared_ptr<TilePins> pins_;
  const CommitterOptions options_;

  Mutex mutex_;
  std::vector<Part> waiting_ ABSL_GUARDED_BY(mutex_);
  uint64_t waiting_bytes_ ABSL_GUARDED_BY(mutex_) = 0;
  bool stopping_ ABSL_GUARDED_BY(mutex_) = false;

  std::thread thread_;
};

}  // namespace selvage
