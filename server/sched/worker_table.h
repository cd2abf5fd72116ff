// Workers that are, or were a moment ago, connected.
#pragma once

#include <algorithm>
#include <map>
#include <string>
#include <vector>

#include "server/sched/types.h"

namespace selvage::sched {

struct Worker {
  WorkerNumber number = 0;
  std::string id;
  uint32_t slots = 0;
  bool draining = false;
  bool connected = false;
  Time last_report = 0;
  uint64_t done = 0;
  // Tasks leased to it and not handed in.
  std::vector<TaskIndex> leased;
  // Of these, what it has rendered and not handed in yet: they hold no slot.
  std::vector<TaskIndex> rendered;
  // Taken from it because it did not finish them; each holds a slot as long as it
  // says that it runs them.
  std::vector<ResultKey> stuck;

  size_t running() const { return leased.size() - rendered.size(); }
  bool has_room() const { return connected && !draining && running() + stuck.size() < slots; }
  bool HasRendered(TaskIndex t) const { return std::find(rendered.begin(), rendered.end(), t) != rendered.end(); }
  // Tasks that may be what ended it, of which this is one; 0: this one is not.
  size_t SuspectsWith(TaskIndex t) const { return HasRendered(t) ? 0 : running(); }
  void Drop(TaskIndex t) {
    std::erase(leased, t);
    std::erase(rendered, t);
  }
};

// Ordered by number, so that a run with the same events does the same things.
class WorkerTable {
 public:
  Worker& FindOrAdd(const std::string& id) {
    auto [it, fresh] = by_id_.try_emplace(id, next_);
    Worker& w = workers_[it->second];
    if (fresh) {
      w.number = next_++;
      w.id = id;
    }
    return w;
  }
  Worker* Find(WorkerNumber n) {
    auto it = workers_.find(n);
    return it == workers_.end() ? nullptr : &it->second;
  }
  bool Has(const std::string& id) const { return by_id_.contains(id); }
  Worker* Find(const std::string& id) {
    auto it = by_id_.find(id);
    return it == by_id_.end() ? nullptr : Find(it->second);
  }
  void Remove(WorkerNumber n) {
    auto it = workers_.find(n);
    if (it == workers_.end()) return;
    by_id_.erase(it->second.id);
    workers_.erase(it);
  }
  std::map<WorkerNumber, Worker>& all() { return workers_; }
  const std::map<WorkerNumber, Worker>& all() const { return workers_; }

 private:
  std::map<WorkerNumber, Worker> workers_;
  std::map<std::string, WorkerNumber> by_id_;
  WorkerNumber next_ = 1;
};

}  // namespace selvage::sched
