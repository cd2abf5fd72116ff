// All tasks of all live jobs, each key once, with who waits for them.
#pragma once

#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/container/inlined_vector.h"
#include "server/sched/types.h"

namespace selvage::sched {

struct Job;

// A task in the hands of a worker.
struct Attempt {
  WorkerNumber worker = 0;
  uint32_t number = 0;
  Time deadline = 0;
  Time started = 0;
  // Handed in and being committed: takes no slot any more.
  bool handed_in = false;
  // Job whose share it was taken from, and how much of it.
  JobNumber charged_to = 0;
  double charged = 0;
};

struct Waiter {
  Job* job;
  uint32_t local;  // position in Job::tasks
};

// A reference that notices when the slot was given to another task.
struct TaskRef {
  TaskIndex index;
  uint32_t generation;
};

struct Task {
  ResultKey key;
  TaskState state = TaskState::kIdle;
  // The result came from the cache.
  bool reused = false;
  // Some job wants its tiles in the store.
  bool stored = false;
  // They are there; else it is known what they are and no more. Of a task that is done.
  bool has_tiles = false;
  uint32_t generation = 0;
  uint32_t question = 0;
  bool asked_by_trace = false;
  uint32_t last_attempt = 0;
  // Attempts below this one have ended. A worker's report may still name one: it
  // was on its way while the outcome was taken.
  uint32_t first_open_attempt = 0;
  uint16_t setbacks = 0;
  uint16_t losses = 0;
  // Workers that had it for too long.
  uint16_t overdue = 0;
  // See Options.losses_until_abandoned.
  double blame = 0;
  WorkerNumber made_by = 0;
  // Had a setback with it: others are preferred.
  WorkerNumber avoid = 0;
  Time retry_at = 0;
  // When all that it reads was there last.
  Time ready_at = 0;
  absl::InlinedVector<Waiter, 1> waiters;
  absl::InlinedVector<TaskIndex, 2> inputs;
  // May hold references to tasks that are gone.
  std::vector<TaskRef> users;
  absl::InlinedVector<Attempt, 1> attempts;
  std::vector<WorkerNumber> lost_by;
  // Why it failed.
  std::string problem;
};

class TaskTable {
 public:
  Task& operator[](TaskIndex i) { return tasks_[i]; }
  const Task& operator[](TaskIndex i) const { return tasks_[i]; }

  // nullptr where there is none.
  Task* Find(const ResultKey& key) {
    auto it = by_key_.find(key);
    return it == by_key_.end() ? nullptr : &tasks_[it->second];
  }
  const Task* Find(const ResultKey& key) const { return const_cast<TaskTable*>(this)->Find(key); }
  TaskIndex IndexOf(const Task& t) const { return static_cast<TaskIndex>(&t - tasks_.data()); }

  // REQUIRES: no task of that key. Pointers to tasks become invalid.
  TaskIndex Add(const ResultKey& key);
  // The slot is used again under another generation; 0 is never one.
  void Remove(TaskIndex i);

  bool Holds(TaskRef r) const { return r.index < tasks_.size() && tasks_[r.index].generation == r.generation; }
  TaskRef Ref(TaskIndex i) const { return {i, tasks_[i].generation}; }
  // Drops dead references now and then, so that a measuring task which every
  // frame of every job reads does not collect them for ever.
  void AddUser(TaskIndex input, TaskIndex user);

  size_t size() const { return by_key_.size(); }
  // Indices are below this.
  size_t places() const { return tasks_.size(); }

 private:
  std::vector<Task> tasks_;
  std::vector<TaskIndex> free_;
  uint32_t last_generation_ = 0;
  absl::flat_hash_map<ResultKey, TaskIndex, DigestHash> by_key_;
};

}  // namespace selvage::sched
