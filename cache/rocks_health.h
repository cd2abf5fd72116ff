// Whether an open database can go on. Include only from rocks_*.cc.
#pragma once

#include <sys/types.h>

#include <memory>
#include <string>

#include "absl/status/status.h"
#include "proto/mutex.h"
#include "rocksdb/db.h"
#include "rocksdb/env.h"
#include "rocksdb/listener.h"

namespace selvage {

// Two things end a database for good until it is opened again: an error of its log or its
// own records, after which RocksDB only reads, and its files being deleted, of which
// RocksDB notices nothing for a long time.
// All methods may be called from any thread.
class RocksHealth final : public rocksdb::EventListener {
 public:
  // `what` as in "the index".
  RocksHealth(std::string what, std::string folder);

  // Once it is open: remembers which files these are.
  void Opened();

  // A system call: cheap beside any write.
  // Errors: DATA_LOSS the files are gone; UNAVAILABLE it cannot write any more. Each says
  // what to do.
  absl::Status Check();

  void OnBackgroundError(rocksdb::BackgroundErrorReason reason, rocksdb::Status* error) override;
  void OnErrorRecoveryBegin(rocksdb::BackgroundErrorReason reason, rocksdb::Status error, bool* recover) override;

 private:
  const std::string what_, folder_;
  dev_t device_ = 0;
  ino_t inode_ = 0;
  Mutex mutex_;
  std::string broken_ ABSL_GUARDED_BY(mutex_);
};

// Closes a database, and what it writes with. One that cannot go on is left as it is:
// closing a log that failed would end the whole process. Its memory goes with the process,
// which has no other use for the folder.
void CloseUnlessBroken(RocksHealth& health, std::unique_ptr<rocksdb::DB>* db, std::unique_ptr<rocksdb::Env>* env);

}  // namespace selvage
