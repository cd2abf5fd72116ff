// The result index on disk: a RocksDB of its own, layouts in format.h.
#pragma once

#include <memory>

#include "cache/result_index.h"

namespace selvage {

// Opens in time independent of the number of results. Blocks of the index carry
// RocksDB's checksums, which are checked at every read.
// Errors: UNAVAILABLE another process has it open, or it can't be read;
// DATA_LOSS the folder is damaged.
class RocksResultIndex : public ResultIndex {
 public:
  static absl::StatusOr<std::unique_ptr<RocksResultIndex>> Open(const std::string& folder);

  // As RocksTileStore::Checkpoint.
  virtual absl::Status Checkpoint(const std::string& folder) = 0;
};

}  // namespace selvage
