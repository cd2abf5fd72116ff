// What artists said of keeping: results of passes with keep: ALWAYS stay as long
// as the newest plan of their stack has them, those with NEVER go first.
#pragma once

#include <map>
#include <mutex>
#include <string>
#include <unordered_map>
#include <vector>

#include "cache/evict.h"
#include "server/plan/plan.h"

namespace selvage {

// All methods may be called from any thread.
class KeepTable {
 public:
  // Replaces what an older plan of the same stack said.
  void Set(const Plan& plan) {
    std::lock_guard<std::mutex> lock(mutex_);
    std::vector<ResultKey>& keys = of_stack_[plan.stack_name];
    for (const ResultKey& key : keys) keep_.erase(key);
    keys.clear();
    for (const PlannedTask& t : plan.tasks) {
      if (t.keep == Pass::AUTO) continue;
      keys.push_back(t.key);
      keep_[t.key] = t.keep == Pass::ALWAYS ? Keep::kPinned : Keep::kFirstToGo;
    }
    if (keys.empty()) of_stack_.erase(plan.stack_name);
  }
  Keep Of(const ResultKey& key) const {
    std::lock_guard<std::mutex> lock(mutex_);
    auto it = keep_.find(key);
    return it == keep_.end() ? Keep::kNormal : it->second;
  }

 private:
  mutable std::mutex mutex_;
  std::map<std::string, std::vector<ResultKey>> of_stack_;
  std::unordered_map<ResultKey, Keep, DigestHash> keep_;
};

}  // namespace selvage
