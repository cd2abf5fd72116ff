// Room on the file system that the cache lies on.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/status.h"

namespace selvage {

// RocksDB must never see a full disk: a log that could not be written stays
// unusable, and Debian's build, which keeps its assertions, aborts when such a
// log is closed. So everybody asks first, and leaves this much for the index,
// which must still take invalidations and the ends of jobs when tiles are
// refused: a full memtable, its log, and a little.
inline constexpr uint64_t kIndexReserveBytes = 64 << 20;

// Bytes that may still be written below a folder; 0 where that can't be told.
uint64_t AvailableBytes(const std::string& folder);

// Errors: RESOURCE_EXHAUSTED fewer than `bytes` are available.
absl::Status CheckRoom(const std::string& folder, uint64_t bytes);

}  // namespace selvage
