#include "worker/run/decoded_cache.h"

#include "absl/cleanup/cleanup.h"
#include "proto/status.h"

namespace selvage::worker {

DecodedCache::Value DecodedCache::FindLocked(const std::string& key) {
  const auto it = where_.find(key);
  if (it == where_.end()) return nullptr;
  order_.splice(order_.begin(), order_, it->second);
  return it->second->made.value;
}

void DecodedCache::PutLocked(const std::string& key, Made made) {
  if (made.bytes > capacity_bytes_ || where_.count(key)) return;
  bytes_ += made.bytes;
  order_.push_front({key, std::move(made)});
  where_[key] = order_.begin();
  while (bytes_ > capacity_bytes_) {
    bytes_ -= order_.back().made.bytes;
    where_.erase(order_.back().key);
    order_.pop_back();
  }
}

DecodedCache::Value DecodedCache::Find(const std::string& key) {
  MutexLock lock(&mutex_);
  return FindLocked(key);
}

void DecodedCache::Put(const std::string& key, Made made) {
  MutexLock lock(&mutex_);
  PutLocked(key, std::move(made));
}

absl::StatusOr<DecodedCache::Value> DecodedCache::FindOrMake(const std::string& key,
                                                             const std::function<absl::StatusOr<Made>()>& make) {
  {
    MutexLock lock(&mutex_);
    const auto nobody_makes_it = [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return !making_.contains(key); };
    mutex_.Await(nobody_makes_it);
    if (Value value = FindLocked(key)) return value;
    making_.insert(key);
  }
  // Also when it throws, out of memory most likely: whoever waits must not wait for ever.
  const auto done = absl::MakeCleanup([&] {
    MutexLock lock(&mutex_);
    making_.erase(key);
  });
  ASSIGN_OR_RETURN(Made made, make());
  const Value value = made.value;
  Put(key, std::move(made));
  return value;
}

size_t DecodedCache::bytes() const {
  MutexLock lock(&mutex_);
  return bytes_;
}

}  // namespace selvage::worker
