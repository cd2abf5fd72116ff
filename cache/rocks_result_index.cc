#include "cache/rocks_result_index.h"

#include <spdlog/spdlog.h>

#include <mutex>
#include <unordered_map>
#include <unordered_set>

#include "cache/disk_room.h"
#include "cache/format.h"
#include "cache/manifest.h"
#include "cache/rocks_checkpoint.h"
#include "cache/rocks_status.h"
#include "proto/status.h"
#include "rocksdb/cache.h"
#include "rocksdb/db.h"
#include "rocksdb/filter_policy.h"
#include "rocksdb/options.h"
#include "rocksdb/table.h"
#include "rocksdb/utilities/table_properties_collectors.h"
#include "rocksdb/write_batch.h"

namespace selvage {
namespace {

constexpr size_t kBlockCacheBytes = 128 << 20;
constexpr size_t kWriteBufferBytes = 32 << 20;
constexpr uint64_t kMaxLogBytes = 256 << 20;
// Of places and names of tiles that are made for an index of an older version.
constexpr size_t kFilingBytes = 1 << 20;

// Order of the handles that Open gives back.
enum Family { kDefault, kResults, kTraces, kTracesOf, kMadeBy, kNamedBy, kWorth, kNames, kJournal, kValues };

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

rocksdb::DBOptions DatabaseOptions() {
  rocksdb::DBOptions options;
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

class Engine final : public RocksResultIndex {
 public:
  Engine(std::unique_ptr<rocksdb::DB> db, std::vector<rocksdb::ColumnFamilyHandle*> families, const std::string& folder)
      : db_(std::move(db)), families_(std::move(families)), folder_(folder) {}
  ~Engine() override {
    for (rocksdb::ColumnFamilyHandle* f : families_) db_->DestroyColumnFamilyHandle(f).PermitUncheckedError();
    db_->Close().PermitUncheckedError();
  }

  // The journal sorts by sequence, so its last entry is one seek away.
  absl::Status Recover() {
    RETURN_IF_ERROR(FileOldResults());
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(rocksdb::ReadOptions(), families_[kJournal]));
    it->SeekToLast();
    RETURN_IF_ERROR(FromRocks(it->status()));
    if (!it->Valid()) return absl::OkStatus();
    ASSIGN_OR_RETURN(const JournalEntry newest,
                     format::ParseJournal(it->key().ToStringView(), it->value().ToStringView()));
    sequence_ = newest.sequence;
    return absl::OkStatus();
  }

  absl::StatusOr<std::vector<std::optional<ResultRecord>>> Find(std::span<const ResultKey> keys) override {
    std::vector<rocksdb::Slice> slices;
    slices.reserve(keys.size());
    for (const ResultKey& key : keys) slices.emplace_back(key.digest.view());
    std::vector<rocksdb::PinnableSlice> values(keys.size());
    std::vector<rocksdb::Status> statuses(keys.size());
    db_->MultiGet(rocksdb::ReadOptions(), families_[kResults], keys.size(), slices.data(), values.data(),
                  statuses.data());
    std::vector<std::optional<ResultRecord>> found(keys.size());
    for (size_t i = 0; i < keys.size(); ++i) {
      if (statuses[i].IsNotFound()) continue;
      RETURN_IF_ERROR(FromRocks(statuses[i]), Annotate("looking for results"));
      ASSIGN_OR_RETURN(found[i], format::ParseResultValue(values[i].ToStringView()));
    }
    return found;
  }

  absl::StatusOr<std::optional<ResultKey>> FindTrace(const Digest& trace_key) override {
    ASSIGN_OR_RETURN(const auto value, GetOne(kTraces, trace_key.view()));
    if (!value) return std::nullopt;
    const auto digest = Digest::FromBytes(*value);
    if (!digest) return absl::DataLossError("a trace in the index is malformed");
    return ResultKey{*digest};
  }

  absl::StatusOr<std::vector<NameRecord>> FindNames(const std::string& stack, const std::string& pass) override {
    std::vector<NameRecord> found;
    RETURN_IF_ERROR(ForEach(kNames, format::NamePrefix(stack, pass), [&](auto key, auto value) -> absl::Status {
      ASSIGN_OR_RETURN(NameRecord name, format::ParseName(key, value));
      found.push_back(std::move(name));
      return absl::OkStatus();
    }));
    return found;
  }

  absl::StatusOr<std::vector<std::optional<NameRecord>>> FindNamesAt(std::span<const NameRecord> places) override {
    std::vector<std::string> keys;
    keys.reserve(places.size());
    for (const NameRecord& n : places) keys.push_back(format::NameKey(n.stack, n.pass, n.segment, n.frame));
    const std::vector<rocksdb::Slice> slices(keys.begin(), keys.end());
    std::vector<rocksdb::PinnableSlice> values(keys.size());
    std::vector<rocksdb::Status> statuses(keys.size());
    db_->MultiGet(rocksdb::ReadOptions(), families_[kNames], keys.size(), slices.data(), values.data(),
                  statuses.data());
    std::vector<std::optional<NameRecord>> found(keys.size());
    for (size_t i = 0; i < keys.size(); ++i) {
      if (statuses[i].IsNotFound()) continue;
      RETURN_IF_ERROR(FromRocks(statuses[i]), Annotate("looking for names"));
      ASSIGN_OR_RETURN(found[i], format::ParseName(keys[i], values[i].ToStringView()));
    }
    return found;
  }

  absl::StatusOr<std::vector<std::string>> ListStacks() override {
    std::vector<std::string> stacks;
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(ScanOptions(), families_[kNames]));
    for (it->SeekToFirst(); it->Valid(); it->Seek(stacks.back() + '\1')) {
      const std::string_view key = it->key().ToStringView();
      stacks.emplace_back(key.substr(0, key.find('\0')));
    }
    RETURN_IF_ERROR(FromRocks(it->status()));
    return stacks;
  }

  absl::StatusOr<std::vector<ResultKey>> FindMadeBy(const std::string& worker, int64_t since_unix_ms) override {
    std::vector<ResultKey> found;
    // Of one worker in the order of time, hence from there on; workers of a host
    // are few. Negative times don't happen.
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(ScanOptions(), families_[kMadeBy]));
    for (it->Seek(worker); it->Valid() && it->key().starts_with(worker);) {
      ASSIGN_OR_RETURN(const format::MadeBy made, format::ParseMadeBy(it->key().ToStringView()));
      if (made.worker != worker && !made.worker.starts_with(worker + ":")) {
        it->Seek(made.worker + '\1');
      } else if (made.made_unix_ms < since_unix_ms) {
        it->Seek(format::MadeByKey(made.worker, since_unix_ms, ResultKey()));
      } else {
        found.push_back(made.key);
        it->Next();
      }
    }
    RETURN_IF_ERROR(FromRocks(it->status()));
    return found;
  }

  absl::StatusOr<std::optional<std::string>> FindValue(const std::string& name) override {
    return GetOne(kValues, name);
  }

  absl::StatusOr<std::vector<std::pair<std::string, std::string>>> ListValues(const std::string& prefix) override {
    std::vector<std::pair<std::string, std::string>> found;
    RETURN_IF_ERROR(ForEach(kValues, prefix, [&](auto key, auto value) {
      found.emplace_back(key, value);
      return absl::OkStatus();
    }));
    return found;
  }

  absl::Status ReadJournal(uint64_t from_sequence, const std::function<void(const JournalEntry&)>& visit) override {
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(ScanOptions(), families_[kJournal]));
    for (it->Seek(format::JournalKey(from_sequence)); it->Valid(); it->Next()) {
      ASSIGN_OR_RETURN(const JournalEntry entry,
                       format::ParseJournal(it->key().ToStringView(), it->value().ToStringView()));
      visit(entry);
    }
    return FromRocks(it->status());
  }

  absl::StatusOr<uint64_t> Commit(const IndexBatch& batch) override {
    RETURN_IF_ERROR(format::CheckNames(batch));
    // One at a time: sequence numbers become durable in order, and what is
    // forgotten cannot change under the batch that forgets it.
    std::lock_guard lock(commit_mutex_);
    rocksdb::WriteBatch out;
    for (const ResultKey& key : batch.forget) RETURN_IF_ERROR(Forget(key, &out));
    RETURN_IF_ERROR(Move(batch, &out));
    RETURN_IF_ERROR(AddResults(batch, &out));
    AddState(batch, &out);
    uint64_t sequence = sequence_;
    for (const uint64_t done : batch.journal_done) {
      if (done != sequence_) out.Delete(families_[kJournal], format::JournalKey(done));
    }
    for (const auto& [type, payload] : batch.journal) {
      out.Put(families_[kJournal], format::JournalKey(++sequence), format::JournalValue(type, payload));
    }
    if (out.Count() > 0) RETURN_IF_ERROR(Write(&out, true));
    sequence_ = sequence;
    return sequence;
  }

  absl::StatusOr<std::vector<WorthPlace>> ListPlaces(const WorthPlace& after, size_t count) override {
    std::vector<WorthPlace> found;
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(ScanOptions(), families_[kWorth]));
    for (it->Seek(format::WorthKey(after)); it->Valid() && found.size() < count; it->Next()) {
      ASSIGN_OR_RETURN(const WorthPlace place, format::ParseWorth(it->key().ToStringView()));
      if (place != after) found.push_back(place);
    }
    RETURN_IF_ERROR(FromRocks(it->status()));
    return found;
  }

  absl::StatusOr<std::vector<Digest>> FindUnnamed(std::span<const Digest> tiles) override {
    std::vector<Digest> unnamed;
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(ScanOptions(), families_[kNamedBy]));
    for (const Digest& d : tiles) {
      it->Seek(rocksdb::Slice(d.view()));
      RETURN_IF_ERROR(FromRocks(it->status()));
      if (!it->Valid() || !it->key().starts_with(rocksdb::Slice(d.view()))) unnamed.push_back(d);
    }
    return unnamed;
  }

  absl::Status ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& visit) override {
    return ForEach(kResults, "", [&](std::string_view key, std::string_view value) -> absl::Status {
      const auto digest = Digest::FromBytes(key);
      if (!digest) return absl::DataLossError("a result key in the index is malformed");
      ASSIGN_OR_RETURN(const ResultRecord record, format::ParseResultValue(value));
      visit(ResultKey{*digest}, record);
      return absl::OkStatus();
    });
  }

  absl::Status Checkpoint(const std::string& folder) override {
    RETURN_IF_ERROR(CheckRoom(folder_, kIndexReserveBytes));
    return CheckpointTo(db_.get(), folder);
  }

  uint64_t CountResults() override {
    uint64_t count = 0;
    db_->GetIntProperty(families_[kResults], rocksdb::DB::Properties::kEstimateNumKeys, &count);
    return count;
  }

 private:
  static rocksdb::ReadOptions ScanOptions() {
    rocksdb::ReadOptions options;
    // A scan would push everything useful out.
    options.fill_cache = false;
    return options;
  }

  absl::StatusOr<std::optional<std::string>> GetOne(Family family, std::string_view key) {
    std::string value;
    const rocksdb::Status s = db_->Get(rocksdb::ReadOptions(), families_[family], rocksdb::Slice(key), &value);
    if (s.IsNotFound()) return std::nullopt;
    RETURN_IF_ERROR(FromRocks(s));
    return std::optional(std::move(value));
  }

  // Calls visit(key, value) for all keys with a prefix, in order, until it fails.
  template <class Visit>
  absl::Status ForEach(Family family, const std::string& prefix, Visit visit) {
    const std::unique_ptr<rocksdb::Iterator> it(db_->NewIterator(ScanOptions(), families_[family]));
    for (it->Seek(prefix); it->Valid() && it->key().starts_with(prefix); it->Next()) {
      RETURN_IF_ERROR(visit(it->key().ToStringView(), it->value().ToStringView()));
    }
    return FromRocks(it->status());
  }

  absl::Status Forget(const ResultKey& key, rocksdb::WriteBatch* out) {
    ASSIGN_OR_RETURN(const auto value, GetOne(kResults, key.digest.view()));
    if (value) {
      ASSIGN_OR_RETURN(const ResultRecord record, format::ParseResultValue(*value));
      Unlist(key, record, out);
    }
    out->Delete(families_[kResults], rocksdb::Slice(key.digest.view()));
    return ForEach(kTracesOf, key.digest.str(), [&](std::string_view both, std::string_view) -> absl::Status {
      out->Delete(families_[kTracesOf], rocksdb::Slice(both));
      const std::string_view trace = both.substr(key.digest.bytes.size());
      // The trace may lead to a newer result by now.
      ASSIGN_OR_RETURN(const auto leads_to, GetOne(kTraces, trace));
      if (leads_to == key.digest.str()) out->Delete(families_[kTraces], rocksdb::Slice(trace));
      return absl::OkStatus();
    });
  }

  absl::Status Move(const IndexBatch& batch, rocksdb::WriteBatch* out) {
    const std::unordered_set<ResultKey, DigestHash> forgotten(batch.forget.begin(), batch.forget.end());
    for (const auto& [place, worth] : batch.moves) {
      out->Delete(families_[kWorth], format::WorthKey(place));
      if (forgotten.contains(place.key)) continue;
      ASSIGN_OR_RETURN(const auto value, GetOne(kResults, place.key.digest.view()));
      if (value) out->Put(families_[kWorth], format::WorthKey({worth, place.key}), "");
    }
    return absl::OkStatus();
  }

  absl::Status AddResults(const IndexBatch& batch, rocksdb::WriteBatch* out) {
    // Of several with one key only the last may be listed: nobody would unlist the others.
    std::unordered_map<ResultKey, const ResultRecord*, DigestHash> last;
    for (const auto& [key, record] : batch.results) last[key] = &record;
    for (const auto& [key, record] : last) {
      ASSIGN_OR_RETURN(const auto value, GetOne(kResults, key.digest.view()));
      // One that cannot be read may still be replaced.
      if (const auto old = format::ParseResultValue(value.value_or("")); old.ok()) Unlist(key, *old, out);
      out->Put(families_[kResults], rocksdb::Slice(key.digest.view()), format::ResultValue(*record));
      for (const Maker& m : MakersOf(*record)) {
        out->Put(families_[kMadeBy], format::MadeByKey(m.worker(), m.made_unix_ms(), key), "");
      }
      File(key, *record, out);
      ASSIGN_OR_RETURN(const auto damaged, GetOne(kValues, DamagedName(key)));
      if (damaged) out->Delete(families_[kValues], DamagedName(key));
    }
    return absl::OkStatus();
  }

  // What tells where a result lies in the order of eviction, and which tiles it needs.
  void File(const ResultKey& key, const ResultRecord& record, rocksdb::WriteBatch* out) {
    out->Put(families_[kWorth], format::WorthKey({WorthOf(record), key}), "");
    for (const Digest& d : StoredDigests(record.manifest))
      out->Put(families_[kNamedBy], format::NamedByKey(d, key), "");
  }

  // The reverse of what AddResults did, but for the record itself.
  void Unlist(const ResultKey& key, const ResultRecord& record, rocksdb::WriteBatch* out) {
    for (const Maker& m : MakersOf(record)) {
      out->Delete(families_[kMadeBy], format::MadeByKey(m.worker(), m.made_unix_ms(), key));
    }
    out->Delete(families_[kWorth], format::WorthKey({WorthOf(record), key}));
    for (const Digest& d : StoredDigests(record.manifest)) out->Delete(families_[kNamedBy], format::NamedByKey(d, key));
  }

  // Once, for an index of state 1. Begun anew after a crash: repeating is harmless.
  absl::Status FileOldResults() {
    ASSIGN_OR_RETURN(const auto filed, GetOne(kDefault, format::kFiledKey));
    if (filed) return absl::OkStatus();
    const uint64_t count = CountResults();
    if (count > 0) spdlog::info("a cache of an older version: about {} results are filed for eviction, once", count);
    rocksdb::WriteBatch out;
    RETURN_IF_ERROR(ForEach(kResults, "", [&](std::string_view key, std::string_view value) -> absl::Status {
      const auto digest = Digest::FromBytes(key);
      const auto record = format::ParseResultValue(value);
      // Whoever asks for one that cannot be read is told so.
      if (!digest || !record.ok()) return absl::OkStatus();
      File(ResultKey{*digest}, *record, &out);
      if (out.GetDataSize() < kFilingBytes) return absl::OkStatus();
      RETURN_IF_ERROR(Write(&out, false));
      out.Clear();
      return absl::OkStatus();
    }));
    out.Put(families_[kDefault], format::kFiledKey, "");
    RETURN_IF_ERROR(Write(&out, true));
    if (count > 0) spdlog::info("all results are filed");
    return absl::OkStatus();
  }

  void AddState(const IndexBatch& batch, rocksdb::WriteBatch* out) {
    for (const auto& [trace, key] : batch.traces) {
      out->Put(families_[kTraces], rocksdb::Slice(trace.view()), rocksdb::Slice(key.digest.view()));
      out->Put(families_[kTracesOf], key.digest.str() + trace.str(), "");
    }
    for (const NameRecord& n : batch.forget_names) {
      out->Delete(families_[kNames], format::NameKey(n.stack, n.pass, n.segment, n.frame));
    }
    for (const NameRecord& n : batch.names) {
      out->Put(families_[kNames], format::NameKey(n.stack, n.pass, n.segment, n.frame), format::NameValue(n));
    }
    for (const auto& [name, value] : batch.values) {
      if (value.empty()) {
        out->Delete(families_[kValues], name);
      } else {
        out->Put(families_[kValues], name, value);
      }
    }
  }

  absl::Status Write(rocksdb::WriteBatch* out, bool sync) {
    // Tiles stop well before this, so that the journal can go on.
    RETURN_IF_ERROR(CheckRoom(folder_, kIndexReserveBytes / 2 + 2 * out->GetDataSize()));
    rocksdb::WriteOptions options;
    options.sync = sync;
    return FromRocks(db_->Write(options, out));
  }

  const std::unique_ptr<rocksdb::DB> db_;
  const std::vector<rocksdb::ColumnFamilyHandle*> families_;
  const std::string folder_;

  std::mutex commit_mutex_;
  // Newest journal entry. Guarded by commit_mutex_.
  uint64_t sequence_ = 0;
};

}  // namespace

absl::StatusOr<std::unique_ptr<RocksResultIndex>> RocksResultIndex::Open(const std::string& folder) {
  const auto cache = rocksdb::NewLRUCache(kBlockCacheBytes);
  std::vector<rocksdb::ColumnFamilyDescriptor> wanted;
  for (const char* name : {"default", format::kResultsFamily, format::kTracesFamily, format::kTracesOfFamily,
                           format::kMadeByFamily, format::kNamedByFamily, format::kWorthFamily, format::kNamesFamily,
                           format::kJournalFamily, format::kValuesFamily}) {
    wanted.emplace_back(name, FamilyOptions(cache));
  }
  // Its front is eaten away by eviction, which begins there each time: what was
  // deleted must not pile up in its way.
  wanted[kWorth].options.table_properties_collector_factories.push_back(
      rocksdb::NewCompactOnDeletionCollectorFactory(1024, 512));
  std::vector<rocksdb::ColumnFamilyHandle*> handles;
  rocksdb::DB* db = nullptr;
  RETURN_IF_ERROR(FromRocksOpen(rocksdb::DB::Open(DatabaseOptions(), folder, wanted, &handles, &db), folder));
  auto index = std::make_unique<Engine>(std::unique_ptr<rocksdb::DB>(db), std::move(handles), folder);
  RETURN_IF_ERROR(index->Recover(), Annotate("opening ", folder));
  return index;
}

}  // namespace selvage
