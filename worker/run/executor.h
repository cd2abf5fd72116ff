// Runs one task: reads inputs, evaluates the chain tile by tile; then writes the
// tiles that the store lacks. Knows nothing of leases or connections.
//
// No NaN or infinity enters or leaves a task: plates as they are decoded and
// results as they are stored have NaN as 0 and what is beyond +-65504 as
// +-65504 (kernels/pixels/half.h, FloatToStored).
#pragma once

#include <functional>
#include <memory>

#include "absl/status/statusor.h"
#include "cache/tile_store.h"
#include "proto/farm.pb.h"
#include "worker/files/path_map.h"
#include "worker/files/plate_limits.h"

namespace selvage::worker {

struct ExecutorOptions {
  // Bound of decoded plates and tiles kept in memory.
  size_t memory_bytes = size_t{1} << 30;
  // Bounds of a single plate.
  PlateLimits plates;
  // Where the daemon's folders lie here.
  PathMap map;
};

// One a worker process; Run may be called from several threads at once.
class Executor {
 public:
  // `store` verifies what it gives (VerifyingTileStore): tiles are decoded here,
  // not checked again.
  Executor(std::shared_ptr<TileStore> store, const ExecutorOptions& options);
  ~Executor();

  // Makes the pixels and keeps them until Forget. Never throws, never fails otherwise than
  // by an outcome with an error. worker_id is left empty. `stopped` turning true ends it
  // early with an INFRASTRUCTURE error.
  TaskOutcome Render(const TaskSpec& task, const std::function<bool()>& stopped);
  // Writes those tiles of a rendered result that the store lacks, and counts the seconds. Where
  // that fails, the outcome has an error. Nothing is done for an outcome without a result.
  void Store(TaskOutcome* outcome);
  // Both.
  TaskOutcome Run(const TaskSpec& task, const std::function<bool()>& stopped);

  // Writes a result's missing tiles again, after FinishReply.missing.
  absl::Status Rewrite(const TaskOutcome& outcome);
  // The result of this key was handed in, or nobody wants it.
  void Forget(const std::string& key);

  size_t memory_bytes() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace selvage::worker
