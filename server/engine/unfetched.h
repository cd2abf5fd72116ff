// Deliverables that nobody has fetched yet. A cache that is smaller than its shot evicts all the
// time, and what was just rendered is what somebody is about to fetch: it stays until then, or
// until its stack is submitted again. Only a cache that is full of nothing else lets it go, that
// of the job first that ended first.
#pragma once

#include <cstddef>
#include <deque>
#include <functional>
#include <string>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_set.h"
#include "cache/tile_store.h"
#include "proto/mutex.h"

namespace selvage {

// All methods may be called from any thread. Forgotten at the end of the daemon.
class Unfetched {
 public:
  // How results are let go; blocks.
  using Unpin = std::function<void(const std::vector<ResultKey>&)>;
  explicit Unfetched(Unpin unpin) : unpin_(std::move(unpin)) {}

  // A job of this stack has ended well. Takes over one pin of each of its deliverables. Blocks.
  void Hold(const std::string& stack, const std::vector<ResultKey>& deliverables);
  // All of its bytes went to a client. Blocks.
  void Fetched(const ResultKey& key);
  // Lets the oldest job's go. False: there is none. Blocks.
  bool GiveWay();

 private:
  // About 20 MB of keys.
  static constexpr size_t kMaxKeys = 200'000;
  struct Job {
    std::string stack;
    absl::flat_hash_set<ResultKey, DigestHash> keys;
  };

  const Unpin unpin_;
  Mutex mutex_;
  std::deque<Job> jobs_ ABSL_GUARDED_BY(mutex_);
  size_t count_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace selvage
