// The database of the index: opened, read and written with errors in words that say
// what to do. Include only from rocks_*.cc.
#pragma once

#include <atomic>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/disk_room.h"
#include "cache/rocks_health.h"
#include "proto/status.h"
#include "rocksdb/db.h"
#include "rocksdb/write_batch.h"

namespace selvage {

// Column families, in the order in which they are opened.
enum class Family { kDefault, kResults, kTraces, kTracesOf, kMadeBy, kNamedBy, kWorth, kNames, kJournal, kValues };

// All methods may be called from any thread.
class IndexDatabase {
 public:
  static absl::StatusOr<std::unique_ptr<IndexDatabase>> Open(const std::string& folder,
                                                             std::shared_ptr<DiskReserve> reserve);
  ~IndexDatabase();

  rocksdb::DB* get() const { return db_.get(); }
  rocksdb::ColumnFamilyHandle* operator[](Family family) const { return families_[static_cast<size_t>(family)]; }
  const std::string& folder() const { return folder_; }

  absl::Status Error(const rocksdb::Status& s) const;

  absl::StatusOr<std::optional<std::string>> Get(Family family, std::string_view key) const;
  // As absent where it cannot be read: for what can be rendered again.
  absl::StatusOr<std::optional<std::string>> GetReadable(Family family, std::string_view key);
  std::vector<rocksdb::Status> MultiGet(Family family, const std::vector<rocksdb::Slice>& keys,
                                        std::vector<rocksdb::PinnableSlice>* values) const;
  // False where there is no record, or one that cannot be read.
  absl::StatusOr<bool> Readable(const rocksdb::Status& s);
  void NoteUnreadable(const absl::Status& status);
  uint64_t unreadable() const { return unreadable_; }

  // Reads without pushing what is useful out of memory.
  std::unique_ptr<rocksdb::Iterator> Scan(Family family) const;
  // Calls visit(key, value) for all keys with a prefix, in order, until it fails.
  template <class Visit>
  absl::Status ForEach(Family family, const std::string& prefix, Visit visit) const {
    const std::unique_ptr<rocksdb::Iterator> it = Scan(family);
    for (it->Seek(prefix); it->Valid() && it->key().starts_with(prefix); it->Next()) {
      RETURN_IF_ERROR(visit(it->key().ToStringView(), it->value().ToStringView()));
    }
    return Error(it->status());
  }

  absl::Status Write(rocksdb::WriteBatch* batch, bool sync);
  absl::Status Checkpoint(const std::string& to);
  absl::Status Health() { return health_->Check(); }

 private:
  IndexDatabase(const std::string& folder, std::shared_ptr<DiskReserve> reserve);

  const std::string folder_;
  const std::shared_ptr<DiskReserve> disk_;
  const std::shared_ptr<RocksHealth> health_;
  std::unique_ptr<rocksdb::Env> env_;
  std::unique_ptr<rocksdb::DB> db_;
  std::vector<rocksdb::ColumnFamilyHandle*> families_;
  std::atomic<uint64_t> unreadable_{0};
};

}  // namespace selvage
