// How often results were used, roughly, in a fixed megabyte.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "proto/digest.h"
#include "proto/mutex.h"

namespace selvage {

// A count-min sketch (Cormode & Muthukrishnan 2005) of saturating 8-bit
// counters: never too low, too high for few keys. All counters are halved after
// every ten uses a slot, so that yesterday's favourites fade (aging as in
// TinyLFU, Einziger et al. 2017). It remembers results that were evicted.
// All methods may be called from any thread.
class UseCounts {
 public:
  UseCounts();

  void Note(std::span<const ResultKey> keys);
  // 0 for a result never used (with high probability).
  int Count(const ResultKey& key) const;

  // For keeping it across a restart; Load ignores anything malformed.
  std::string Save() const;
  void Load(std::string_view saved);

 private:
  size_t Slot(const ResultKey& key, int row) const;

  mutable Mutex mutex_;
  std::vector<uint8_t> counters_ ABSL_GUARDED_BY(mutex_);
  uint64_t notes_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace selvage
