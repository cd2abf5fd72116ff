#include "server/sched/task_table.h"

#include <algorithm>
#include <bit>
#include <utility>

namespace selvage::sched {

TaskIndex TaskTable::Add(const ResultKey& key) {
  TaskIndex i;
  if (free_.empty()) {
    i = static_cast<TaskIndex>(tasks_.size());
    tasks_.emplace_back();
  } else {
    i = free_.back();
    free_.pop_back();
  }
  tasks_[i].key = key;
  tasks_[i].generation = ++last_generation_;
  by_key_[key] = i;
  return i;
}

void TaskTable::Remove(TaskIndex i) {
  by_key_.erase(tasks_[i].key);
  tasks_[i] = Task();
  free_.push_back(i);
  if (!by_key_.empty()) return;
  // Quiet: give the memory of a large job back.
  if (tasks_.size() > 4096) {
    tasks_ = {};
    free_ = {};
    by_key_ = {};
  }
}

void TaskTable::AddUser(TaskIndex input, TaskIndex user) {
  std::vector<TaskRef>& users = tasks_[input].users;
  if (users.size() >= 16 && std::has_single_bit(users.size())) {
    std::erase_if(users, [&](TaskRef r) { return !Holds(r); });
  }
  users.push_back(Ref(user));
}

}  // namespace selvage::sched
