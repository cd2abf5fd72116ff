// The passes of each stack that somebody works on: changed in one of the last few
// submissions or looks. What they read is stored, so that the next change of such a
// pass begins right there.
#pragma once

#include <deque>
#include <map>
#include <set>
#include <string>

#include "proto/mutex.h"

namespace selvage {

// All methods may be called from any thread. Forgotten at the end of the daemon: the
// first change after that begins further back.
class WorkingEdge {
 public:
  // `changed`: by the request that is being planned now; remembered if it `renders`.
  // Gives them and those of before.
  std::set<std::string> Of(const std::string& stack, const std::set<std::string>& changed, bool renders) {
    MutexLock lock(&mutex_);
    const auto known = before_.find(stack);
    std::set<std::string> all = changed;
    if (known != before_.end()) {
      for (const auto& passes : known->second) all.insert(passes.begin(), passes.end());
    }
    if (!renders || changed.empty()) return all;
    if (known == before_.end() && before_.size() >= kStacks) before_.clear();
    std::deque<std::set<std::string>>& last = before_[stack];
    if (last.empty() || last.back() != changed) last.push_back(changed);
    if (last.size() > kRemembered) last.pop_front();
    return all;
  }

 private:
  static constexpr size_t kRemembered = 4, kStacks = 500;

  Mutex mutex_;
  std::map<std::string, std::deque<std::set<std::string>>> before_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace selvage
