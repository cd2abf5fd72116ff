#include "cache/rocks_health.h"

#include <sys/stat.h>

#include <utility>

#include "absl/strings/str_cat.h"

namespace selvage {
RocksHealth::RocksHealth(std::string what, std::string folder) : what_(std::move(what)), folder_(std::move(folder)) {}

void RocksHealth::Opened() {
  struct stat found;
  if (stat((folder_ + "/LOCK").c_str(), &found) != 0) return;
  device_ = found.st_dev;
  inode_ = found.st_ino;
}

absl::Status RocksHealth::Check() {
  // Made when the database was opened, and never again.
  struct stat found;
  if (stat((folder_ + "/LOCK").c_str(), &found) != 0 || found.st_dev != device_ || found.st_ino != inode_) {
    return absl::DataLossError(absl::StrCat("the files of ", what_, " in ", folder_,
                                            " were deleted or replaced while the daemon was running; start it again: "
                                            "what is no longer there is rendered again when it is needed"));
  }
  MutexLock lock(&mutex_);
  if (broken_.empty()) return absl::OkStatus();
  return absl::UnavailableError(
      absl::StrCat(what_, " in ", folder_, " cannot be written any more (", broken_,
                   "); check the disk, then start the daemon again: finished work is kept, unfinished jobs go on"));
}

void RocksHealth::OnBackgroundError(rocksdb::BackgroundErrorReason, rocksdb::Status* error) {
  if (error->ok() || error->severity() < rocksdb::Status::Severity::kHardError) return;
  MutexLock lock(&mutex_);
  if (broken_.empty()) broken_ = error->ToString();
}

// It would close the log that failed, and abort.
void RocksHealth::OnErrorRecoveryBegin(rocksdb::BackgroundErrorReason, rocksdb::Status error, bool* recover) {
  *recover = false;
  error.PermitUncheckedError();
}

void CloseUnlessBroken(RocksHealth& health, std::unique_ptr<rocksdb::DB>* db, std::unique_ptr<rocksdb::Env>* env) {
  if (health.Check().ok()) {
    (*db)->Close().PermitUncheckedError();
    return;
  }
  (void)db->release();
  (void)env->release();
}

}  // namespace selvage
