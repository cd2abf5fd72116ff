// Tiles on disk: a RocksDB of their own, bytes in blob files.
#pragma once

#include <memory>

#include "cache/disk_room.h"
#include "cache/tile_store.h"

namespace selvage {

struct RocksTileStoreOptions {
  // Two buffers of this size are held in memory; a full one becomes a blob file.
  uint64_t write_buffer_bytes = 64 << 20;
  uint64_t blob_file_bytes = 256 << 20;
  // Shared by all that write to the disk; none: it may come to see a full disk.
  std::shared_ptr<DiskReserve> reserve;
};

// Bytes are not verified here, and RocksDB's own checksums of tiles are not
// checked: put a VerifyingTileStore in front.
class RocksTileStore : public TileStore {
 public:
  // Creates the folder if it is not there.
  // Errors: UNAVAILABLE another process has it open, or it can't be read; DATA_LOSS its
  // files are damaged, or some of them are not there.
  static absl::StatusOr<std::unique_ptr<RocksTileStore>> Open(const std::string& folder,
                                                              const RocksTileStoreOptions& options);

  // A copy as of one moment, in a folder that must not exist yet; files that
  // don't change any more are linked where the file system can.
  virtual absl::Status Checkpoint(const std::string& folder) = 0;
  // An estimate.
  virtual uint64_t CountTiles() = 0;
  // Bytes of deleted tiles that still lie in blob files.
  virtual uint64_t GarbageBytes() = 0;
  // Rewrites what is alive in the oldest quarter of the blob files and removes
  // those: needs room for that much, takes seconds to minutes, blocks nobody.
  virtual absl::Status Reclaim() = 0;
  // Tiles that Reclaim found unreadable, and deleted.
  virtual uint64_t CountUnreadable() = 0;
  // OK, or why it cannot go on until it is opened again; Put and MakeDurable fail with
  // that, too.
  // Errors: DATA_LOSS its files were deleted; UNAVAILABLE it cannot write any more.
  virtual absl::Status Health() = 0;
  // A Reclaim that runs, and every later one, returns soon and with an error.
  virtual void StopReclaiming() = 0;
};

}  // namespace selvage
