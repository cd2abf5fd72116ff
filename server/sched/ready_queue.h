// Tasks of one job that could run, smallest order first.
#pragma once

#include <algorithm>
#include <cstdint>
#include <vector>

#include "server/sched/types.h"

namespace selvage::sched {

// Entries are never taken out when a task stops being ready: whoever pops
// checks, which is cheaper than finding them.
class ReadyQueue {
 public:
  struct Entry {
    uint64_t order;
    TaskIndex task;
    uint32_t generation;
    uint32_t local;
    bool operator<(const Entry& o) const { return order != o.order ? order > o.order : task > o.task; }
  };

  void Push(const Entry& e) {
    heap_.push_back(e);
    std::push_heap(heap_.begin(), heap_.end());
  }
  const Entry& top() const { return heap_.front(); }
  Entry Pop() {
    std::pop_heap(heap_.begin(), heap_.end());
    Entry e = heap_.back();
    heap_.pop_back();
    return e;
  }
  bool empty() const { return heap_.empty(); }

 private:
  std::vector<Entry> heap_;
};

}  // namespace selvage::sched
