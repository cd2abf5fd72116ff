#include "cache/rocks_tile_store.h"

#include <algorithm>
#include <atomic>
#include <chrono>
#include <thread>

#include "cache/disk_room.h"
#include "cache/format.h"
#include "cache/rocks_checkpoint.h"
#include "cache/rocks_files.h"
#include "cache/rocks_health.h"
#include "cache/rocks_status.h"
#include "proto/status.h"
#include "rocksdb/cache.h"
#include "rocksdb/db.h"
#include "rocksdb/filter_policy.h"
#include "rocksdb/options.h"
#include "rocksdb/table.h"
#include "rocksdb/write_batch.h"

namespace selvage {
namespace {

// Smaller values lie in the tree: a constant-looking tile may be 30 bytes.
constexpr uint64_t kMinBlobBytes = 512;
// One batch is one entry in the log and is held twice in memory.
constexpr size_t kBatchBytes = 8 << 20;
constexpr auto kWriteRetry = std::chrono::milliseconds(2);
// Tile keys and presence entries: about 100 bytes a tile.
constexpr size_t kTreeCacheBytes = 64 << 20;

// Why a log that is synced, and not writes without a log that are flushed
// before the index commits: groups are committed several times a second, and
// every flush leaves a blob file. Measured here, tiles of 30 KB, 5 / 40 / 300 a
// commit:                    log and sync        flush
//   median ms a commit       16 / 27 / 183       32 / 65 / 390
//   slowest commit, ms       37 / 111 / 466      272 / 2275 / 5275
//   bytes written per byte   1.1 / 2.1 / 2.6     10.9 / 6.9 / 3.7
// (the factors above 2 are automatic blob collection, since switched off).
// Flushing wins only where a commit is as large as a write buffer.
rocksdb::Options MakeOptions(const RocksTileStoreOptions& o, rocksdb::Env* env,
                             const std::shared_ptr<RocksHealth>& health) {
  rocksdb::Options options;
  options.create_if_missing = true;
  options.env = env;
  options.listeners = {health};
  // A log that could not be written must not be closed (rocks_health.h).
  options.max_bgerror_resume_count = 0;
  // Two memtables, few background jobs: with more, 7.8's retry of a failed flush
  // can reorder updates.
  options.write_buffer_size = o.write_buffer_bytes;
  options.max_write_buffer_number = 2;
  options.max_background_jobs = 2;
  options.bytes_per_sync = 1 << 20;
  options.wal_bytes_per_sync = 1 << 20;
  options.max_total_wal_size = 2 * o.write_buffer_bytes;
  // Preallocated blocks would count as used space that isn't.
  options.allow_fallocate = false;
  // What is damaged is missing: it must not make the rest read-only. Tiles that
  // are not there, or are not what they say, are noticed above.
  options.paranoid_checks = false;
  // The codec has compressed already.
  options.compression = rocksdb::kNoCompression;
  options.blob_compression_type = rocksdb::kNoCompression;
  options.enable_blob_files = true;
  options.min_blob_size = kMinBlobBytes;
  options.blob_file_size = o.blob_file_bytes;
  // Deleted tiles give their space back in Reclaim, when eviction wants it. Left
  // to itself the collector rewrites old files that hold no garbage at all.
  options.enable_blob_garbage_collection = false;
  options.blob_compaction_readahead_size = 4 << 20;
  options.keep_log_file_num = 4;
  options.max_log_file_size = 4 << 20;
  rocksdb::BlockBasedTableOptions table;
  table.block_cache = rocksdb::NewLRUCache(kTreeCacheBytes);
  table.filter_policy.reset(rocksdb::NewBloomFilterPolicy(10));
  options.table_factory.reset(rocksdb::NewBlockBasedTableFactory(table));
  return options;
}

class Engine final : public RocksTileStore {
 public:
  // Both memtables may have to be flushed before their log can go.
  Engine(std::unique_ptr<rocksdb::Env> env, std::unique_ptr<rocksdb::DB> db, std::shared_ptr<RocksHealth> health,
         std::shared_ptr<DiskReserve> disk, const std::string& folder, const RocksTileStoreOptions& options)
      : env_(std::move(env)),
        db_(std::move(db)),
        health_(std::move(health)),
        disk_(std::move(disk)),
        folder_(folder),
        reserve_bytes_(kIndexReserveBytes + 3 * options.write_buffer_bytes + 2 * kBatchBytes) {}
  ~Engine() override { CloseUnlessBroken(*health_, &db_, &env_); }

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override {
    std::vector<std::optional<std::string>> found(digests.size());
    RETURN_IF_ERROR(Lookup(digests, &format::TileKey, [&](size_t i, const rocksdb::PinnableSlice& value) {
      found[i].emplace(value.data(), value.size());
    }));
    return found;
  }

  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override {
    std::vector<bool> held(digests.size());
    RETURN_IF_ERROR(
        Lookup(digests, &format::PresenceKey, [&](size_t i, const rocksdb::PinnableSlice&) { held[i] = true; }));
    std::vector<Digest> missing;
    for (size_t i = 0; i < digests.size(); ++i) {
      if (!held[i]) missing.push_back(digests[i]);
    }
    return missing;
  }

  absl::Status Put(std::span<const StoredTile> tiles) override {
    uint64_t bytes = 0;
    for (const StoredTile& t : tiles) bytes += t.data.size();
    RETURN_IF_ERROR(disk_->CheckRoom(reserve_bytes_ + 2 * bytes));
    std::vector<Digest> digests;
    for (const StoredTile& t : tiles) digests.push_back(t.digest);
    std::vector<bool> held(tiles.size());
    RETURN_IF_ERROR(
        Lookup(digests, &format::PresenceKey, [&](size_t i, const rocksdb::PinnableSlice&) { held[i] = true; }));
    rocksdb::WriteBatch batch;
    for (size_t i = 0; i < tiles.size(); ++i) {
      if (held[i]) continue;
      batch.Put(format::PresenceKey(digests[i]), format::PresenceValue(static_cast<uint32_t>(tiles[i].data.size())));
      batch.Put(format::TileKey(digests[i]), tiles[i].data);
      if (batch.GetDataSize() >= kBatchBytes) {
        RETURN_IF_ERROR(Write(&batch));
        batch.Clear();
      }
    }
    return batch.Count() == 0 ? absl::OkStatus() : Write(&batch);
  }

  absl::Status MakeDurable() override {
    RETURN_IF_ERROR(health_->Check());
    return FromRocks(db_->SyncWAL());
  }

  absl::Status Delete(std::span<const Digest> digests) override {
    rocksdb::WriteBatch batch;
    for (const Digest& d : digests) {
      batch.Delete(format::PresenceKey(d));
      batch.Delete(format::TileKey(d));
    }
    return Write(&batch);
  }

  absl::StatusOr<std::vector<Digest>> List(const Digest& after, size_t count) override {
    std::vector<Digest> held;
    RETURN_IF_ERROR(Walk(after, [&](const Digest& d, uint64_t) {
      if (d != after) held.push_back(d);
      return held.size() < count;
    }));
    return held;
  }

  absl::Status Scan(const std::function<void(const Digest&, uint64_t bytes)>& visit) override {
    return Walk(Digest(), [&](const Digest& d, uint64_t bytes) {
      visit(d, bytes);
      return true;
    });
  }

  absl::Status Checkpoint(const std::string& folder) override {
    // It empties the memtables into files.
    RETURN_IF_ERROR(health_->Check());
    RETURN_IF_ERROR(disk_->CheckRoom(reserve_bytes_));
    return CheckpointTo(db_.get(), folder);
  }

  uint64_t CountTiles() override { return Property(rocksdb::DB::Properties::kEstimateNumKeys) / 2; }
  uint64_t GarbageBytes() override { return Property(rocksdb::DB::Properties::kLiveBlobFileGarbageSize); }

  // A damaged file stops the rewriting, at every attempt anew: what cannot be read
  // is deleted then.
  absl::Status Reclaim() override {
    RETURN_IF_ERROR(health_->Check());
    const absl::Status status = RewriteOldest();
    if (stopped_ || !(absl::IsDataLoss(status) || absl::IsUnavailable(status))) return status;
    RETURN_IF_ERROR(DeleteUnreadable());
    return RewriteOldest();
  }

  void StopReclaiming() override {
    stopped_ = true;
    db_->DisableManualCompaction();
  }

  uint64_t CountUnreadable() override { return unreadable_; }
  absl::Status Health() override { return health_->Check(); }

 private:
  // Visits what is held from `first` on, in order, until `visit` says false.
  template <class Visit>
  absl::Status Walk(const Digest& first, Visit visit) {
    rocksdb::ReadOptions options;
    options.fill_cache = false;
    // Else the last step would read a tile, which may be damaged.
    const char end = format::kPresencePrefix + 1;
    const rocksdb::Slice upper(&end, 1);
    options.iterate_upper_bound = &upper;
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(options));
    for (it->Seek(format::PresenceKey(first)); it->Valid(); it->Next()) {
      const auto digest = format::DigestOfPresenceKey(it->key().ToStringView());
      if (!digest || !visit(*digest, format::BytesOfPresenceValue(it->value().ToStringView()).value_or(0))) break;
    }
    return FromRocks(it->status());
  }

  absl::Status RewriteOldest() {
    ASSIGN_OR_RETURN(const double share, ShareToRewrite());
    rocksdb::CompactRangeOptions options;
    options.bottommost_level_compaction = rocksdb::BottommostLevelCompaction::kForce;
    options.blob_garbage_collection_policy = rocksdb::BlobGarbageCollectionPolicy::kForce;
    options.blob_garbage_collection_age_cutoff = share;
    // Other compactions, hence flushes and writes, go on.
    options.exclusive_manual_compaction = false;
    return FromRocks(db_->CompactRange(options, nullptr, nullptr));
  }

  // As the rewriting sees it: with RocksDB's own checksums.
  absl::Status DeleteUnreadable() {
    std::vector<Digest> held;
    RETURN_IF_ERROR(Scan([&](const Digest& d, uint64_t) { held.push_back(d); }));
    rocksdb::ReadOptions options;
    options.fill_cache = false;
    for (const Digest& d : held) {
      if (stopped_) return absl::UnavailableError("the cache is being closed");
      rocksdb::PinnableSlice value;
      const rocksdb::Status s = db_->Get(options, db_->DefaultColumnFamily(), format::TileKey(d), &value);
      if (s.ok() || s.IsNotFound()) continue;
      RETURN_IF_ERROR(Delete({&d, 1}));
      ++unreadable_;
    }
    return absl::OkStatus();
  }

  // Calls `found` with the place of each digest that has an entry.
  template <class Key, class Found>
  absl::Status Lookup(std::span<const Digest> digests, Key make_key, Found found) {
    std::vector<std::string> keys;
    keys.reserve(digests.size());
    for (const Digest& d : digests) keys.push_back(make_key(d));
    const std::vector<rocksdb::Slice> slices(keys.begin(), keys.end());
    std::vector<rocksdb::PinnableSlice> values(keys.size());
    std::vector<rocksdb::Status> statuses(keys.size());
    rocksdb::ReadOptions options;
    // Our own digest is checked above; the library's checksum takes ten times as long.
    options.verify_checksums = false;
    db_->MultiGet(options, db_->DefaultColumnFamily(), keys.size(), slices.data(), values.data(), statuses.data());
    for (size_t i = 0; i < keys.size(); ++i) {
      // A tile that cannot be read (a bad sector, a file cut short or deleted) is
      // a missing one; the store as a whole goes on.
      if (statuses[i].IsNotFound() || statuses[i].IsCorruption() || statuses[i].IsIOError()) continue;
      RETURN_IF_ERROR(FromRocks(statuses[i]));
      found(i, values[i]);
    }
    return absl::OkStatus();
  }

  // A quarter of the blob files, oldest first, all of them where they are few,
  // or as many as there is room to rewrite.
  absl::StatusOr<double> ShareToRewrite() {
    const uint64_t files = Property(rocksdb::DB::Properties::kNumBlobFiles);
    if (files == 0) return 1;
    const uint64_t file_bytes = 1 + Property(rocksdb::DB::Properties::kTotalBlobFileSize) / files;
    const uint64_t available = AvailableBytes(folder_);
    const uint64_t fitting = (available - std::min(available, reserve_bytes_)) / file_bytes;
    const uint64_t rewrite = std::min(files < 8 ? files : files / 4, fitting);
    if (rewrite == 0) return absl::ResourceExhaustedError("the disk is too full to rewrite a file of tiles");
    // RocksDB rounds down.
    return std::min(1.0, (rewrite + 0.5) / files);
  }

  // Waits while both memtables are being written out; not inside RocksDB, where it would
  // wait for as long as the disk is full.
  absl::Status Write(rocksdb::WriteBatch* batch) {
    rocksdb::WriteOptions options;
    options.no_slowdown = true;
    while (true) {
      RETURN_IF_ERROR(health_->Check());
      const rocksdb::Status status = db_->Write(options, batch);
      if (!status.IsIncomplete()) return FromRocks(status);
      RETURN_IF_ERROR(disk_->CheckRoom(reserve_bytes_));
      std::this_thread::sleep_for(kWriteRetry);
    }
  }

  uint64_t Property(const std::string& name) {
    uint64_t value = 0;
    db_->GetIntProperty(name, &value);
    return value;
  }

  std::unique_ptr<rocksdb::Env> env_;
  std::unique_ptr<rocksdb::DB> db_;
  const std::shared_ptr<RocksHealth> health_;
  const std::shared_ptr<DiskReserve> disk_;
  const std::string folder_;
  const uint64_t reserve_bytes_;
  std::atomic<bool> stopped_{false};
  std::atomic<uint64_t> unreadable_{0};
};

}  // namespace

absl::StatusOr<std::unique_ptr<RocksTileStore>> RocksTileStore::Open(const std::string& folder,
                                                                     const RocksTileStoreOptions& options) {
  const auto disk = options.reserve ? options.reserve : std::make_shared<DiskReserve>(folder, 0);
  const auto health = std::make_shared<RocksHealth>("the tile store", folder);
  auto env = MakeReservingEnv(disk);
  rocksdb::DB* db = nullptr;
  RETURN_IF_ERROR(FromRocksOpen(rocksdb::DB::Open(MakeOptions(options, env.get(), health), folder, &db), folder));
  health->Opened();
  return std::make_unique<Engine>(std::move(env), std::unique_ptr<rocksdb::DB>(db), health, disk, folder, options);
}

}  // namespace selvage
