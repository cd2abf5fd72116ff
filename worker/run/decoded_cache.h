// What a worker remembers between tasks: decoded plates and tiles, the least
// recently used forgotten first, bounded in bytes.
#pragma once

#include <functional>
#include <list>
#include <memory>
#include <string>
#include <unordered_map>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_set.h"
#include "absl/status/statusor.h"
#include "proto/mutex.h"

namespace selvage::worker {

class DecodedCache {
 public:
  using Value = std::shared_ptr<const void>;
  struct Made {
    Value value;
    size_t bytes = 0;
  };

  explicit DecodedCache(size_t capacity_bytes) : capacity_bytes_(capacity_bytes) {}

  // nullptr if it is not held.
  Value Find(const std::string& key);
  void Put(const std::string& key, Made made);
  // Makes it if it is not held. Threads that ask for the same at once wait for
  // one of them to make it; when that fails each tries for itself.
  absl::StatusOr<Value> FindOrMake(const std::string& key, const std::function<absl::StatusOr<Made>()>& make);

  size_t bytes() const;

 private:
  struct Entry {
    std::string key;
    Made made;
  };
  Value FindLocked(const std::string& key) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void PutLocked(const std::string& key, Made made) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  const size_t capacity_bytes_;
  mutable Mutex mutex_;
  // Most recently used first.
  std::list<Entry> order_ ABSL_GUARDED_BY(mutex_);
  std::unordered_map<std::string, std::list<Entry>::iterator> where_ ABSL_GUARDED_BY(mutex_);
  // What some thread is making now.
  absl::flat_hash_set<std::string> making_ ABSL_GUARDED_BY(mutex_);
  size_t bytes_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace selvage::worker
