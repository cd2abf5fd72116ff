#include "cache/rocks_index_database.h"

#include <spdlog/spdlog.h>

#include <utility>

#include "cache/format.h"
#include "cache/rocks_checkpoint.h"
#include "cache/rocks_files.h"
#include "cache/rocks_status.h"
#include "rocksdb/cache.h"
#include "rocksdb/filter_policy.h"
#include "rocksdb/options.h"
#include "rocksdb/table.h"
#include "rocksdb/utilities/table_properties_collectors.h"

namespace selvage {
namespace {

constexpr size_t kBlockCacheBytes = 128 << 20;
constexpr size_t kWriteBufferBytes = 32 << 20;
constexpr uint64_t kMaxLogBytes = 256 << 20;

constexpr const char* kFamilyNames[] = {"default",
                                        format::kResultsFamily,
                                        format::kTracesFamily,
                                        format::kTracesOfFamily,
                                        format::kMadeByFamily,
                                        format::kNamedByFamily,
                                        format::kWorthFamily,
                                        format::kNamesFamily,
                                        format::kJournalFamily,
                                        format::kValuesFamily};

rocksdb::ColumnFamilyOptions FamilyOptions(const std::shared_ptr<rocksdb::Cache>& cache) {
  rocksdb::ColumnFamilyOptions options;
  options.write_buffer_size = kWriteBufferBytes;
  // Two memtables, few background jobs: with more, 7.8's retry of a failed flush
  // can reorder updates.
  options.max_write_buffer_number = 2;
  options.compression = rocksdb::kNoCompression;
  options.bottommost_compression = rocksdb::kZSTD;
  rocksdb::BlockBasedTableOptions table;
  table.block_cache = cache;
  table.filter_policy.reset(rocksdb::NewBloomFilterPolicy(10));
  options.table_factory.reset(rocksdb::NewBlockBasedTableFactory(table));
  return options;
}

rocksdb::DBOptions DatabaseOptions(rocksdb::Env* env, const std::shared_ptr<RocksHealth>& health) {
  rocksdb::DBOptions options;
  options.env = env;
  options.listeners = {health};
  // A log that could not be written must not be closed (rocks_health.h).
  options.max_bgerror_resume_count = 0;
  options.create_if_missing = true;
  options.create_missing_column_families = true;
  options.max_background_jobs = 2;
  options.max_total_wal_size = kMaxLogBytes;
  options.bytes_per_sync = 1 << 20;
  options.allow_fallocate = false;
  options.keep_log_file_num = 4;
  options.max_log_file_size = 4 << 20;
  return options;
}

}  // namespace

IndexDatabase::IndexDatabase(const std::string& folder, std::shared_ptr<DiskReserve> reserve)
    : folder_(folder),
      disk_(reserve ? std::move(reserve) : std::make_shared<DiskReserve>(folder, 0)),
      health_(std::make_shared<RocksHealth>("the index", folder)),
      env_(MakeReservingEnv(disk_)) {}

absl::StatusOr<std::unique_ptr<IndexDatabase>> IndexDatabase::Open(const std::string& folder,
                                                                   std::shared_ptr<DiskReserve> reserve) {
  std::unique_ptr<IndexDatabase> made(new IndexDatabase(folder, std::move(reserve)));
  const auto cache = rocksdb::NewLRUCache(kBlockCacheBytes);
  std::vector<rocksdb::ColumnFamilyDescriptor> wanted;
  for (const char* name : kFamilyNames) wanted.emplace_back(name, FamilyOptions(cache));
  // Its front is eaten away by eviction, which begins there each time: what was
  // deleted must not pile up in its way.
  wanted[static_cast<size_t>(Family::kWorth)].options.table_properties_collector_factories.push_back(
      rocksdb::NewCompactOnDeletionCollectorFactory(1024, 512));
  rocksdb::DB* db = nullptr;
  RETURN_IF_ERROR(FromRocksOpen(
      rocksdb::DB::Open(DatabaseOptions(made->env_.get(), made->health_), folder, wanted, &made->families_, &db),
      folder));
  made->db_.reset(db);
  made->health_->Opened();
  return made;
}

IndexDatabase::~IndexDatabase() {
  if (!db_) return;
  for (rocksdb::ColumnFamilyHandle* f : families_) db_->DestroyColumnFamilyHandle(f).PermitUncheckedError();
  CloseUnlessBroken(*health_, &db_, &env_);
}

absl::Status IndexDatabase::Error(const rocksdb::Status& s) const {
  if (!s.IsCorruption()) return FromRocks(s);
  return absl::DataLossError(absl::StrCat(
      "the index in ", folder_, " is damaged (", s.ToString(),
      "). Stop the daemon and start it again. If this comes back, put a backup in the place of the state folder, or "
      "delete ",
      folder_, ": everything is rendered again then, and jobs must be submitted again"));
}

absl::StatusOr<std::optional<std::string>> IndexDatabase::Get(Family family, std::string_view key) const {
  std::string value;
  const rocksdb::Status s = db_->Get(rocksdb::ReadOptions(), (*this)[family], rocksdb::Slice(key), &value);
  if (s.IsNotFound()) return std::nullopt;
  RETURN_IF_ERROR(Error(s));
  return std::optional(std::move(value));
}

absl::StatusOr<std::optional<std::string>> IndexDatabase::GetReadable(Family family, std::string_view key) {
  std::string value;
  const rocksdb::Status s = db_->Get(rocksdb::ReadOptions(), (*this)[family], rocksdb::Slice(key), &value);
  ASSIGN_OR_RETURN(const bool readable, Readable(s));
  return readable ? std::optional(std::move(value)) : std::nullopt;
}

std::vector<rocksdb::Status> IndexDatabase::MultiGet(Family family, const std::vector<rocksdb::Slice>& keys,
                                                     std::vector<rocksdb::PinnableSlice>* values) const {
  *values = std::vector<rocksdb::PinnableSlice>(keys.size());
  std::vector<rocksdb::Status> statuses(keys.size());
  db_->MultiGet(rocksdb::ReadOptions(), (*this)[family], keys.size(), keys.data(), values->data(), statuses.data());
  return statuses;
}

absl::StatusOr<bool> IndexDatabase::Readable(const rocksdb::Status& s) {
  if (s.IsNotFound()) return false;
  const absl::Status status = Error(s);
  if (status.ok()) return true;
  if (!absl::IsDataLoss(status)) return status;
  NoteUnreadable(status);
  return false;
}

void IndexDatabase::NoteUnreadable(const absl::Status& status) {
  if (unreadable_++ == 0) spdlog::warn("what cannot be read is rendered again: {}", std::string(status.message()));
}

std::unique_ptr<rocksdb::Iterator> IndexDatabase::Scan(Family family) const {
  rocksdb::ReadOptions options;
  options.fill_cache = false;
  return std::unique_ptr<rocksdb::Iterator>(db_->NewIterator(options, (*this)[family]));
}

absl::Status IndexDatabase::Write(rocksdb::WriteBatch* batch, bool sync) {
  RETURN_IF_ERROR(health_->Check());
  // Tiles stop well before this, so that the journal can go on.
  RETURN_IF_ERROR(disk_->CheckLastRoom(kIndexReserveBytes / 2 + 2 * batch->GetDataSize()));
  rocksdb::WriteOptions options;
  options.sync = sync;
  return Error(db_->Write(options, batch));
}

absl::Status IndexDatabase::Checkpoint(const std::string& to) {
  RETURN_IF_ERROR(health_->Check());
  RETURN_IF_ERROR(disk_->CheckRoom(kIndexReserveBytes));
  return CheckpointTo(db_.get(), to);
}

}  // namespace selvage
