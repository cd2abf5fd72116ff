// Words that the scheduler and its caller share.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "proto/digest.h"

namespace selvage::sched {

// Seconds of a clock that never goes back. The scheduler never asks for the
// time, it is told: so tests can run it faster than the real one.
using Time = double;
using JobNumber = uint64_t;
using TaskIndex = uint32_t;
// Given to a worker when it is first seen, never used again.
using WorkerNumber = uint32_t;

enum class TaskState : uint8_t {
  // Part of a plan, but nobody needs it: something below it is in the cache.
  kIdle,
  // Waits for its inputs: for their results, or until they can be rendered along.
  kBlocked,
  // The caller looks whether the result is known already (effect kAsk). To
  // people this is "ready".
  kAsked,
  // Can be rendered. One that is not stored stays so until a task that reads it brings
  // it along; it is never leased itself.
  kReady,
  kLeased,
  // A worker handed it in; the caller makes it durable. To people "leased".
  kCommitting,
  kDone,
  // The operator said no, or an input of it failed. Never tried again.
  kFailed,
  // It was tried too often: workers were lost over it, or never got done with it.
  kAbandoned,
};

constexpr bool IsOpen(TaskState s) {
  return s == TaskState::kBlocked || s == TaskState::kAsked || s == TaskState::kReady || s == TaskState::kLeased ||
         s == TaskState::kCommitting;
}
constexpr bool IsFailed(TaskState s) { return s == TaskState::kFailed || s == TaskState::kAbandoned; }

// What the cache said of a task when the job was planned.
enum class Known : uint8_t { kNotNeeded, kHit, kRender };

struct NewTask {
  ResultKey key;
  // Line of the progress it is counted in: index below NewJob.groups.
  uint32_t group = 0;
  // Smaller runs first. The upper half is the rank of the first frame that
  // needs it, so that the first frames of a job finish first.
  uint64_t order = 0;
  Known known = Known::kRender;
  // False: it is not leased by itself but rendered along with a task that reads it,
  // and handed on in memory. REQUIRES: something reads it.
  bool stored = true;
  // Positions in NewJob.tasks, all before this one. Same key, same inputs.
  std::vector<uint32_t> inputs;
};

struct NewJob {
  JobNumber number = 0;
  // Looks: go ahead of everything else.
  bool interactive = false;
  double weight = 1;
  // Nothing is leased for this job before then (after a restart: time for
  // workers to come back and say what they have).
  Time not_before = 0;
  uint32_t groups = 0;
  std::vector<NewTask> tasks;
};

struct Running {
  ResultKey key;
  uint32_t attempt = 0;
  // On its way to the daemon; holds no slot.
  bool rendered = false;
};

// What the caller must do. Order matters: do them one after another.
struct Effect {
  enum Type : uint8_t {
    // Send the task to the worker.
    kStart,
    // Tell the worker to stop: no job needs it, or another has it now.
    kStop,
    // Look whether the result is known and call Answer: by trace key if
    // `by_trace` (all inputs are done), else by result key.
    kAsk,
    // A task failed for good; `message` says why. One for each job.
    kProblem,
    // A task will be tried again; `message` says what happened. One for each job.
    kSetback,
    // Nothing of the job is open any more. RemoveJob when convenient.
    kJobFinished,
  };
  Type type = kStart;
  ResultKey key;
  WorkerNumber worker = 0;
  std::string worker_id;
  uint32_t attempt = 0;
  bool by_trace = false;
  // Hand back with Answer.
  uint32_t question = 0;
  JobNumber job = 0;
  // Position in NewJob.tasks of `job` (kStart, kAsk: of some job that has it).
  uint32_t local = 0;
  // kStart: the same of what is rendered along with it, inputs before their users.
  std::vector<uint32_t> inner;
  std::string message;
};

struct Options {
  Time lease = 15;
  // A worker whose connection broke is given this long to come back.
  Time reconnect_grace = 5;
  // Machines are switched off, restarted and killed, and that is no fault of what
  // they run. Each different worker that is lost with a task counts against it,
  // but shared with all else that the worker ran: 1 where it ran nothing else, at
  // least a quarter. Tasks that end their workers reach this, unlucky ones hardly.
  double losses_until_abandoned = 10;
  // After so many crashes of workers that ran nothing else the task is given up. A crash counts
  // for more than a loss, because nobody switched that worker off.
  double crashes_until_abandoned = 3;
  // From the third loss on, the task waits 1 s, 2 s, ... at most this.
  Time longest_loss_pause = 60;
  // A worker that goes on reporting a task but does not finish it: after this
  // many times the longest of its kind, but not before so many seconds (for the
  // first of a kind: so many), the task goes to another one. Doubled each time.
  double overdue_factor = 20;
  Time overdue_least = 600;
  Time overdue_unmeasured = 3600;
  int overdue_until_abandoned = 5;
  // Failures that are not the task's fault (no memory, no disk), on whatever
  // workers, until it is abandoned after all: 0.5 s, 1 s, ... 30 s apart makes
  // about twenty minutes.
  int setbacks_until_abandoned = 45;
  // A result that gets lost more often than this cannot be kept.
  int losses_until_failed = 5;
  // A late task is given to a second, idle worker after max(2 x p95, this).
  Time hedge_after = 5;
  // Tasks that a worker says it runs and nobody knows are stopped from then on.
  Time stop_unknown_after = 0;
};

}  // namespace selvage::sched
