#include "server/engine/unfetched.h"

#include <algorithm>
#include <utility>

namespace selvage {

void Unfetched::Hold(const std::string& stack, const std::vector<ResultKey>& deliverables) {
  std::vector<ResultKey> free;
  const auto let_go = [&free](const Job& job) { free.insert(free.end(), job.keys.begin(), job.keys.end()); };
  {
    MutexLock lock(&mutex_);
    Job job{stack, {}};
    for (const ResultKey& key : deliverables) {
      // One pin a key is enough.
      if (!job.keys.insert(key).second) free.push_back(key);
    }
    const auto older = std::find_if(jobs_.begin(), jobs_.end(), [&](const Job& j) { return j.stack == stack; });
    if (older != jobs_.end()) {
      let_go(*older);
      count_ -= older->keys.size();
      jobs_.erase(older);
    }
    count_ += job.keys.size();
    if (!job.keys.empty()) jobs_.push_back(std::move(job));
    while (count_ > kMaxKeys) {
      let_go(jobs_.front());
      count_ -= jobs_.front().keys.size();
      jobs_.pop_front();
    }
  }
  if (!free.empty()) unpin_(free);
}

void Unfetched::Fetched(const ResultKey& key) {
  std::vector<ResultKey> free;
  {
    MutexLock lock(&mutex_);
    for (Job& job : jobs_) free.insert(free.end(), job.keys.erase(key), key);
    count_ -= free.size();
    std::erase_if(jobs_, [](const Job& job) { return job.keys.empty(); });
  }
  if (!free.empty()) unpin_(free);
}

bool Unfetched::GiveWay() {
  Job oldest;
  {
    MutexLock lock(&mutex_);
    if (jobs_.empty()) return false;
    oldest = std::move(jobs_.front());
    jobs_.pop_front();
    count_ -= oldest.keys.size();
  }
  unpin_({oldest.keys.begin(), oldest.keys.end()});
  return true;
}

}  // namespace selvage
