// The result index on disk: a RocksDB of its own, layouts in format.h.
#pragma once

#include <memory>

#include "cache/disk_room.h"
#include "cache/result_index.h"

namespace selvage {

// Opens in time independent of the number of results. Blocks of the index carry
// RocksDB's checksums, which are checked at every read. A result, a trace or a name that
// cannot be read is as good as absent: it is rendered and written again. Jobs,
// journal, kept passes and who rendered what are not: those calls fail with DATA_LOSS.
// Errors: UNAVAILABLE another process has it open, or it can't be read;
// DATA_LOSS the folder is damaged.
class RocksResultIndex : public ResultIndex {
 public:
  // `reserve`: as in RocksTileStoreOptions.
  static absl::StatusOr<std::unique_ptr<RocksResultIndex>> Open(const std::string& folder,
                                                                std::shared_ptr<DiskReserve> reserve = nullptr);

  // As RocksTileStore::Checkpoint.
  virtual absl::Status Checkpoint(const std::string& folder) = 0;
  // As RocksTileStore::Health; Commit fails with that, too.
  virtual absl::Status Health() = 0;
  // Records that were asked for and could not be read.
  virtual uint64_t CountUnreadable() = 0;
};

}  // namespace selvage
