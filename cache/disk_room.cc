#include "cache/disk_room.h"

#include <fcntl.h>
#include <spdlog/spdlog.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <thread>

#include "absl/strings/str_cat.h"
#include "cache/format.h"

namespace selvage {
namespace {

constexpr auto kWait = std::chrono::milliseconds(20);

absl::Status NoRoom(const std::string& folder, uint64_t available, uint64_t bytes) {
  return absl::ResourceExhaustedError(absl::StrCat("the disk of ", folder, " is full: ", available >> 20, " MiB free, ",
                                                   (bytes >> 20) + 1,
                                                   " MiB needed. Nothing new is kept until there is room; what is kept "
                                                   "can still be read"));
}

}  // namespace

uint64_t AvailableBytes(const std::string& folder) {
  struct statvfs s;
  if (statvfs(folder.c_str(), &s) != 0) return 0;
  return uint64_t{s.f_bavail} * s.f_frsize;
}

uint64_t DiskBytes(const std::string& folder) {
  struct statvfs s;
  if (statvfs(folder.c_str(), &s) != 0) return 0;
  return uint64_t{s.f_blocks} * s.f_frsize;
}

absl::Status CheckRoom(const std::string& folder, uint64_t bytes) {
  const uint64_t available = AvailableBytes(folder);
  return available >= bytes ? absl::OkStatus() : NoRoom(folder, available, bytes);
}

DiskReserve::DiskReserve(const std::string& state_folder, uint64_t bytes)
    : folder_(state_folder), wanted_bytes_(bytes == 0 ? 0 : std::min(bytes, DiskBytes(state_folder) / 20)) {}

DiskReserve::~DiskReserve() {
  MutexLock lock(&mutex_);
  if (file_ >= 0) close(file_);
}

void DiskReserve::Take() {
  if (wanted_bytes_ == 0) return;
  MutexLock lock(&mutex_);
  file_ = open((folder_ + "/" + format::kReserveFile).c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0644);
  // What an earlier daemon left is taken anew: this one may want less.
  if (file_ >= 0 && ftruncate(file_, 0) == 0) TakeLocked();
}

absl::Status DiskReserve::CheckRoom(uint64_t bytes) {
  const uint64_t available = AvailableBytes(folder_);
  // With the same again as a margin, so that it doesn't open and close by turns.
  const uint64_t missing = held_bytes_ > 0 ? 0 : 2 * wanted_bytes_;
  if (available < bytes + missing) return Refuse(available, bytes + missing);
  if (missing > 0) {
    MutexLock lock(&mutex_);
    TakeLocked();
  }
  if (refusing_.exchange(false)) spdlog::info("there is room again on the disk of {}: new results are kept", folder_);
  return absl::OkStatus();
}

absl::Status DiskReserve::CheckLastRoom(uint64_t bytes) {
  if (held_bytes_ == 0) {
    MutexLock lock(&mutex_);
    TakeLocked();
  }
  const uint64_t available = AvailableBytes(folder_) + held_bytes_;
  return available >= bytes ? absl::OkStatus() : Refuse(available, bytes);
}

bool DiskReserve::GiveUp() {
  MutexLock lock(&mutex_);
  if (held_bytes_ == 0) return false;
  held_bytes_ = 0;
  return ftruncate(file_, 0) == 0;
}

void DiskReserve::MakeRoom() {
  if (GiveUp()) return;
  if (!waiting_.exchange(true)) {
    spdlog::warn("the disk of {} is full, and the reserve is used up: writing waits until there is room", folder_);
  }
  std::this_thread::sleep_for(kWait);
}

void DiskReserve::TakeLocked() {
  if (file_ < 0 || held_bytes_ > 0 || wanted_bytes_ == 0) return;
  if (AvailableBytes(folder_) < 2 * wanted_bytes_) return;
  if (posix_fallocate(file_, 0, static_cast<off_t>(wanted_bytes_)) == 0) {
    held_bytes_ = wanted_bytes_;
    waiting_ = false;
  } else if (ftruncate(file_, 0) != 0) {
    spdlog::warn("the reserve of {} cannot be made smaller", folder_);
  }
}

absl::Status DiskReserve::Refuse(uint64_t available, uint64_t bytes) {
  const absl::Status status = NoRoom(folder_, available, bytes);
  if (!refusing_.exchange(true)) spdlog::warn("{}", std::string(status.message()));
  return status;
}

}  // namespace selvage
