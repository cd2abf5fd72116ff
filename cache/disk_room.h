// Room on the file system that the cache lies on.
#pragma once

#include <atomic>
#include <cstdint>
#include <string>

#include "absl/status/status.h"
#include "proto/mutex.h"

namespace selvage {

// What the index must be able to write when tiles are refused (invalidations, ends of
// jobs): a full memtable, its log, and a little.
inline constexpr uint64_t kIndexReserveBytes = 64 << 20;

// Bytes that may still be written below a folder; 0 where that can't be told.
uint64_t AvailableBytes(const std::string& folder);
// Size of the file system that a folder lies on; 0 where that can't be told.
uint64_t DiskBytes(const std::string& folder);

// Errors: RESOURCE_EXHAUSTED fewer than `bytes` are available.
absl::Status CheckRoom(const std::string& folder, uint64_t bytes);

// The last of the disk, kept for the stores' own needs: their logs, what they rewrite, the
// index. RocksDB must never see a full disk: a log that could not be written stays
// unusable, and Debian's build, which keeps its assertions, aborts when such a log is
// closed. So everybody asks for room first, and because others fill the disk too, even
// between the question and the write, there is a file STATE/reserve that holds nothing but
// room. A write that finds the disk full after all gives it up and goes on; without it, it
// waits until somebody makes room (rocks_files.h).
// All methods may be called from any thread.
class DiskReserve {
 public:
  // At most 5 % of the disk; 0 for none.
  DiskReserve(const std::string& state_folder, uint64_t bytes);
  // The file stays, for the next daemon.
  ~DiskReserve();

  // Takes the room if there is twice as much. REQUIRES: nobody else uses the folder.
  void Take();

  // For what is worth little when the disk is full: results. While the reserve is given
  // up there must be room for it as well.
  // Errors: RESOURCE_EXHAUSTED with the folder, what is free and what is needed. Says
  // in the log when that begins and when it ends.
  absl::Status CheckRoom(uint64_t bytes);
  // For what must be written to the last: the reserve counts as room.
  absl::Status CheckLastRoom(uint64_t bytes);

  // A write found the disk full: gives the reserve back to the disk. False if nothing was
  // left to give.
  bool GiveUp();
  // The same, and where nothing was left, waits a moment. Then the write tries again.
  void MakeRoom();

  uint64_t held_bytes() const { return held_bytes_; }

 private:
  void TakeLocked() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status Refuse(uint64_t available, uint64_t bytes);

  const std::string folder_;
  const uint64_t wanted_bytes_;
  std::atomic<uint64_t> held_bytes_{0};
  std::atomic<bool> refusing_{false}, waiting_{false};
  Mutex mutex_;
  int file_ ABSL_GUARDED_BY(mutex_) = -1;
};

}  // namespace selvage
