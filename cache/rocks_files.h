// Files that RocksDB writes while the disk may become full. Include only from rocks_*.cc.
#pragma once

#include <memory>

#include "cache/disk_room.h"
#include "rocksdb/env.h"

namespace selvage {

// As RocksDB's own files, but RocksDB never hears that the disk is full: such a write gives
// up the reserve and goes on where it was, or waits until somebody makes room. Reading
// goes on meanwhile.
std::unique_ptr<rocksdb::Env> MakeReservingEnv(std::shared_ptr<DiskReserve> reserve);

}  // namespace selvage
