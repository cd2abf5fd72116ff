// A consistent copy of an open database. Include only from rocks_*.cc.
#pragma once

#include <memory>
#include <string>

#include "cache/rocks_status.h"
#include "proto/status.h"
#include "rocksdb/db.h"
#include "rocksdb/utilities/checkpoint.h"

namespace selvage {

// The folder must not exist, its parent must.
inline absl::Status CheckpointTo(rocksdb::DB* db, const std::string& folder) {
  rocksdb::Checkpoint* made = nullptr;
  RETURN_IF_ERROR(FromRocks(rocksdb::Checkpoint::Create(db, &made)));
  const std::unique_ptr<rocksdb::Checkpoint> checkpoint(made);
  return FromRocks(checkpoint->CreateCheckpoint(folder));
}

}  // namespace selvage
