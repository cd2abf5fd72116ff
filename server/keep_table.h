// What artists said of keeping: results of passes with keep: ALWAYS stay as long
// as the newest plan of their stack has them, those with NEVER go first. It
// outlives the daemon: a pre-render is still pinned after a restart.
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
  // What the index remembers.
  absl::Status Load(ResultIndex& index);
  // Replaces what an older plan of the same stack said. `commit` gets what must
  // be remembered, in the order of the calls, if anything changed; it must not
  // block.
  void Set(const plan::Plan& plan, const std::function<void(IndexBatch)>& commit);
  // Forgets what this stack's plan said. Returns how many results it pinned;
  // `commit` is called as by Set.
  size_t Release(const std::string& stack, const std::function<void(IndexBatch)>& commit);
  Keep Of(const ResultKey& key) const;
  // All of which that says kFirstToGo, there or not.
  std::vector<ResultKey> FirstToGo() const;

 private:
  struct Wishes {
    int always = 0, never = 0;
  };
  using Wish = std::pair<ResultKey, Keep>;
  void SetLocked(const std::string& stack, std::vector<Wish> wishes, const std::function<void(IndexBatch)>& commit);
  void ReplaceLocked(const std::string& stack, std::vector<Wish> wishes);

  mutable std::mutex mutex_;
  // Guarded by mutex_.
  std::map<std::string, std::vector<Wish>> of_stack_;
  std::unordered_map<ResultKey, Wishes, DigestHash> keep_;
};

}  // namespace selvage
