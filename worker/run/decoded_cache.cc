#include "worker/run/decoded_cache.h"

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
  std::lock_guard<std::mutex> lock(mutex_);
  return FindLocked(key);
}

void DecodedCache::Put(const std::string& key, Made made) {
  std::lock_guard<std::mutex> lock(mutex_);
  PutLocked(key, std::move(made));
}

absl::StatusOr<DecodedCache::Value> DecodedCache::FindOrMake(const std::string& key,
                                                             const std::function<absl::StatusOr<Made>()>& make) {
  std::unique_lock<std::mutex> lock(mutex_);
  for (;;) {
    if (Value value = FindLocked(key)) return value;
    if (!making_.count(key)) break;
    made_.wait(lock);
  }
  making_[key] = 1;
  lock.unlock();
  absl::StatusOr<Made> made = absl::InternalError("not made");
  try {
    made = make();
  } catch (...) {
    // Out of memory, most likely: whoever waits must not wait for ever.
    lock.lock();
    making_.erase(key);
    made_.notify_all();
    throw;
  }
  lock.lock();
  making_.erase(key);
  made_.notify_all();
  if (!made.ok()) return made.status();
  const Value value = made->value;
  PutLocked(key, *std::move(made));
  return value;
}

size_t DecodedCache::bytes() const {
  std::lock_guard<std::mutex> lock(mutex_);
  return bytes_;
}

}  // namespace selvage::worker
