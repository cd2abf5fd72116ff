// What the owners of the engine's state share: threads, clock, cache, options.
#pragma once

#include <atomic>
#include <functional>
#include <string>

#include "absl/status/statusor.h"
#include "cache/open.h"
#include "server/engine/clock.h"
#include "server/engine/measured.h"
#include "server/engine/pool.h"
#include "server/engine/roots.h"
#include "server/engine/working_edge.h"
#include "server/plan/plan.h"
#include "server/plan/storing.h"
#include "server/sched/types.h"

namespace selvage {

template <class T>
using Then = std::function<void(absl::StatusOr<T>)>;

struct EngineOptions {
  const Clock* clock = &Clock::Real();
  // After a restart, jobs wait this long for workers to come back and say what
  // they still have.
  double adoption_seconds = 3;
  // A plan or a look without any worker is given up after this.
  double patience_seconds = 60;
  // A worker whose connection broke has this long to come back.
  double reconnect_seconds = 5;
  uint32_t heartbeat_ms = 5000;
  uint32_t lease_ms = 15000;
  // Leases, losses and deadlines besides those.
  sched::Options scheduler;
  // Finished jobs that are remembered.
  size_t finished_jobs = 500;
  // Jobs whose times are remembered (`selvage trace`), the newest, and their tasks.
  size_t traced_jobs = 20, traced_tasks = 200'000;
  // Stacks of which names and explanations are remembered, those used last.
  size_t known_stacks = 500;
  // Passes that a stack had once and that its last job has not: when there are more, all of
  // their names are forgotten.
  size_t former_passes = 1000;
  // Plate files of which the facts are remembered, the newest.
  size_t known_plates = 200'000;
  // Files written by fetches that are remembered, the newest.
  size_t written_files = 200'000;
  // Versions of a stack that are kept, the newest, and bytes of their stacks and texts.
  size_t versions = 500;
  uint64_t version_bytes = 16u << 20;
  // Of all stacks together.
  size_t all_versions = 50'000;
  uint64_t all_version_bytes = 512u << 20;
  // Plans that are made side by side; and looks, which must not wait for them.
  int planning_threads = 2, looking_threads = 2;
  // What a stack may ask for.
  plan::Limits limits;
  // Which results are stored. The working edge is the engine's own.
  plan::StoringRules storing;
  // Plans, checks and explanations that may wait for a thread.
  size_t waiting_plans = 256;
  // For tests: called on the thread that is about to make a plan.
  std::function<void()> before_planning;
};

// Lives as long as the engine; what it points to lives longer.
struct Tools {
  Tools(Pool* pool, Cache cache, Roots roots, const EngineOptions& options)
      : pool(pool),
        planning(options.planning_threads),
        looking(options.looking_threads),
        cache(std::move(cache)),
        roots(std::move(roots)),
        options(options),
        started(options.clock->Seconds()) {}

  // Seconds since the start.
  double Now() const { return options.clock->Seconds() - started; }
  int64_t UnixNow() const { return options.clock->UnixMilliseconds(); }

  // Has the strand on which all state lives; waits for disks.
  Pool* const pool;
  // Make plans, which may take long: nothing else waits for their threads.
  Pool planning, looking;
  const Cache cache;
  const Roots roots;
  const EngineOptions options;
  const double started;
  mutable WorkingEdge working_edge;
  mutable Measured measured;
  // The daemon is going down.
  std::atomic<bool> stopping{false};
};

}  // namespace selvage
