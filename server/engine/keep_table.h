// What artists said of keeping: results of passes with keep: ALWAYS stay as long
// as the newest plan of their stack has them, those with NEVER go first. It
// outlives the daemon: a pre-render is still kept after a restart.
#pragma once

#include <functional>
#include <map>
#include <string>
#include <unordered_map>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "cache/evict.h"
#include "proto/mutex.h"
#include "server/engine/state_format.h"
#include "server/plan/plan.h"

namespace selvage {

// All methods may be called from any thread.
class KeepTable {
 public:
  // What the index remembers.
  absl::Status Load(ResultIndex& index);
  // Replaces what an older plan of the same stack said. `commit` gets what must
  // be remembered, in the order of the calls, if anything changed; it must not
  // block.
  void Set(const plan::Plan& plan, const std::function<void(IndexBatch)>& commit);
  // Forgets what this stack's plan said. Returns how many results it kept;
  // `commit` is called as by Set.
  size_t Release(const std::string& stack, const std::function<void(IndexBatch)>& commit);
  Keep Of(const ResultKey& key) const;
  bool KeepsAny(const std::string& stack) const;
  // All of which that says kFirstToGo, there or not.
  std::vector<ResultKey> FirstToGo() const;

 private:
  struct Wishes {
    int always = 0, never = 0;
  };
  using Wish = state::Wish;
  void SetLocked(const std::string& stack, std::vector<Wish> wishes, const std::function<void(IndexBatch)>& commit)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void ReplaceLocked(const std::string& stack, std::vector<Wish> wishes) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  mutable Mutex mutex_;
  std::map<std::string, std::vector<Wish>> of_stack_ ABSL_GUARDED_BY(mutex_);
  std::unordered_map<ResultKey, Wishes, DigestHash> keep_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace selvage
