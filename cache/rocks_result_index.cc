#include "cache/rocks_result_index.h"

#include <spdlog/spdlog.h>

#include <unordered_map>
#include <unordered_set>

#include "cache/format.h"
#include "cache/manifest.h"
#include "cache/rocks_index_database.h"
#include "proto/mutex.h"
#include "proto/status.h"

namespace selvage {
namespace {

// Of places and names of tiles that are made for an index of an older version.
constexpr size_t kFilingBytes = 1 << 20;

class Engine final : public RocksResultIndex {
 public:
  explicit Engine(std::unique_ptr<IndexDatabase> database) : database_(std::move(database)), db_(*database_) {}

  // The journal sorts by sequence, so its last entry is one seek away.
  absl::Status Recover() {
    RETURN_IF_ERROR(FileOldResults());
    const std::unique_ptr<rocksdb::Iterator> it = db_.Scan(Family::kJournal);
    it->SeekToLast();
    RETURN_IF_ERROR(db_.Error(it->status()));
    if (!it->Valid()) return absl::OkStatus();
    ASSIGN_OR_RETURN(const JournalEntry newest,
                     format::ParseJournal(it->key().ToStringView(), it->value().ToStringView()));
    MutexLock lock(&commit_mutex_);
    sequence_ = newest.sequence;
    return absl::OkStatus();
  }

  absl::StatusOr<std::vector<std::optional<ResultRecord>>> Find(std::span<const ResultKey> keys) override {
    std::vector<rocksdb::Slice> slices;
    slices.reserve(keys.size());
    for (const ResultKey& key : keys) slices.emplace_back(key.digest.view());
    std::vector<rocksdb::PinnableSlice> values;
    const std::vector<rocksdb::Status> statuses = db_.MultiGet(Family::kResults, slices, &values);
    std::vector<std::optional<ResultRecord>> found(keys.size());
    for (size_t i = 0; i < keys.size(); ++i) {
      ASSIGN_OR_RETURN(const bool readable, db_.Readable(statuses[i]));
      if (!readable) continue;
      auto record = format::ParseResultValue(values[i].ToStringView());
      if (record.ok()) {
        found[i] = *std::move(record);
      } else {
        db_.NoteUnreadable(record.status());
      }
    }
    return found;
  }

  absl::StatusOr<std::optional<ResultKey>> FindTrace(const Digest& trace_key) override {
    ASSIGN_OR_RETURN(const auto value, db_.GetReadable(Family::kTraces, trace_key.view()));
    const auto digest = Digest::FromBytes(value.value_or(""));
    return digest ? std::optional(ResultKey{*digest}) : std::nullopt;
  }

  absl::StatusOr<std::vector<NameRecord>> FindNames(const std::string& stack, const std::string& pass) override {
    std::vector<NameRecord> found;
    const absl::Status status = db_.ForEach(Family::kNames, format::NamePrefix(stack, pass), [&](auto key, auto value) {
      auto name = format::ParseName(key, value);
      if (name.ok()) found.push_back(*std::move(name));
      return absl::OkStatus();
    });
    // Names only help: without one, more is rendered and less is explained.
    if (absl::IsDataLoss(status)) {
      db_.NoteUnreadable(status);
    } else if (!status.ok()) {
      return status;
    }
    return found;
  }

  absl::StatusOr<std::vector<std::optional<NameRecord>>> FindNamesAt(std::span<const NameRecord> places) override {
    std::vector<std::string> keys;
    keys.reserve(places.size());
    for (const NameRecord& n : places) keys.push_back(format::NameKey(n.stack, n.pass, n.segment, n.frame));
    const std::vector<rocksdb::Slice> slices(keys.begin(), keys.end());
    std::vector<rocksdb::PinnableSlice> values;
    const std::vector<rocksdb::Status> statuses = db_.MultiGet(Family::kNames, slices, &values);
    std::vector<std::optional<NameRecord>> found(keys.size());
    for (size_t i = 0; i < keys.size(); ++i) {
      ASSIGN_OR_RETURN(const bool readable, db_.Readable(statuses[i]));
      if (!readable) continue;
      auto name = format::ParseName(keys[i], values[i].ToStringView());
      if (name.ok()) found[i] = *std::move(name);
    }
    return found;
  }

  absl::StatusOr<std::vector<std::string>> ListStacks() override {
    std::vector<std::string> stacks;
    const std::unique_ptr<rocksdb::Iterator> it = db_.Scan(Family::kNames);
    for (it->SeekToFirst(); it->Valid(); it->Seek(stacks.back() + '\1')) {
      const std::string_view key = it->key().ToStringView();
      stacks.emplace_back(key.substr(0, key.find('\0')));
    }
    RETURN_IF_ERROR(db_.Error(it->status()));
    return stacks;
  }

  absl::StatusOr<std::vector<ResultKey>> FindMadeBy(const std::string& worker, int64_t since_unix_ms) override {
    std::vector<ResultKey> found;
    // Of one worker in the order of time, hence from there on; workers of a host
    // are few. Negative times don't happen.
    const std::unique_ptr<rocksdb::Iterator> it = db_.Scan(Family::kMadeBy);
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
    RETURN_IF_ERROR(db_.Error(it->status()));
    return found;
  }

  absl::StatusOr<std::optional<std::string>> FindValue(const std::string& name) override {
    return db_.Get(Family::kValues, name);
  }

  absl::StatusOr<std::vector<std::pair<std::string, std::string>>> ListValues(const std::string& prefix) override {
    std::vector<std::pair<std::string, std::string>> found;
    RETURN_IF_ERROR(db_.ForEach(Family::kValues, prefix, [&](auto key, auto value) {
      found.emplace_back(key, value);
      return absl::OkStatus();
    }));
    return found;
  }

  absl::Status ReadJournal(uint64_t from_sequence, const std::function<void(const JournalEntry&)>& visit) override {
    const std::unique_ptr<rocksdb::Iterator> it = db_.Scan(Family::kJournal);
    for (it->Seek(format::JournalKey(from_sequence)); it->Valid(); it->Next()) {
      ASSIGN_OR_RETURN(const JournalEntry entry,
                       format::ParseJournal(it->key().ToStringView(), it->value().ToStringView()));
      visit(entry);
    }
    return db_.Error(it->status());
  }

  absl::StatusOr<uint64_t> Commit(const IndexBatch& batch) override {
    RETURN_IF_ERROR(format::CheckNames(batch));
    // One at a time: sequence numbers become durable in order, and what is
    // forgotten cannot change under the batch that forgets it.
    MutexLock lock(&commit_mutex_);
    rocksdb::WriteBatch out;
    for (const ResultKey& key : batch.forget) RETURN_IF_ERROR(Forget(key, &out));
    RETURN_IF_ERROR(Move(batch, &out));
    RETURN_IF_ERROR(AddResults(batch, &out));
    AddState(batch, &out);
    uint64_t sequence = sequence_;
    for (const uint64_t done : batch.journal_done) {
      if (done != sequence_) out.Delete(db_[Family::kJournal], format::JournalKey(done));
    }
    for (const auto& [type, payload] : batch.journal) {
      out.Put(db_[Family::kJournal], format::JournalKey(++sequence), format::JournalValue(type, payload));
    }
    if (out.Count() > 0) RETURN_IF_ERROR(db_.Write(&out, true));
    sequence_ = sequence;
    return sequence;
  }

  absl::StatusOr<std::vector<WorthPlace>> ListPlaces(const WorthPlace& after, size_t count) override {
    std::vector<WorthPlace> found;
    const std::unique_ptr<rocksdb::Iterator> it = db_.Scan(Family::kWorth);
    for (it->Seek(format::WorthKey(after)); it->Valid() && found.size() < count; it->Next()) {
      ASSIGN_OR_RETURN(const WorthPlace place, format::ParseWorth(it->key().ToStringView()));
      if (place != after) found.push_back(place);
    }
    RETURN_IF_ERROR(db_.Error(it->status()));
    return found;
  }

  absl::StatusOr<std::vector<Digest>> FindUnnamed(std::span<const Digest> tiles) override {
    std::vector<Digest> unnamed;
    const std::unique_ptr<rocksdb::Iterator> it = db_.Scan(Family::kNamedBy);
    for (const Digest& d : tiles) {
      it->Seek(rocksdb::Slice(d.view()));
      RETURN_IF_ERROR(db_.Error(it->status()));
      if (!it->Valid() || !it->key().starts_with(rocksdb::Slice(d.view()))) unnamed.push_back(d);
    }
    return unnamed;
  }

  absl::Status ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& visit) override {
    return db_.ForEach(Family::kResults, "", [&](std::string_view key, std::string_view value) -> absl::Status {
      const auto digest = Digest::FromBytes(key);
      if (!digest) return absl::DataLossError("a result key in the index is malformed");
      ASSIGN_OR_RETURN(const ResultRecord record, format::ParseResultValue(value));
      visit(ResultKey{*digest}, record);
      return absl::OkStatus();
    });
  }

  absl::Status Checkpoint(const std::string& folder) override { return db_.Checkpoint(folder); }

  uint64_t CountResults() override {
    uint64_t count = 0;
    db_.get()->GetIntProperty(db_[Family::kResults], rocksdb::DB::Properties::kEstimateNumKeys, &count);
    return count;
  }

  absl::Status Health() override { return db_.Health(); }
  uint64_t CountUnreadable() override { return db_.unreadable(); }

 private:
  absl::Status Forget(const ResultKey& key, rocksdb::WriteBatch* out) {
    ASSIGN_OR_RETURN(const auto value, db_.GetReadable(Family::kResults, key.digest.view()));
    // What is left behind of one that cannot be read: eviction meets its place, and it
    // names tiles that stay a little longer.
    if (const auto record = format::ParseResultValue(value.value_or("")); record.ok()) Unlist(key, *record, out);
    out->Delete(db_[Family::kResults], rocksdb::Slice(key.digest.view()));
    const absl::Status traces =
        db_.ForEach(Family::kTracesOf, key.digest.str(), [&](std::string_view both, std::string_view) -> absl::Status {
          out->Delete(db_[Family::kTracesOf], rocksdb::Slice(both));
          const std::string_view trace = both.substr(key.digest.bytes.size());
          // The trace may lead to a newer result by now.
          ASSIGN_OR_RETURN(const auto leads_to, db_.GetReadable(Family::kTraces, trace));
          if (leads_to == key.digest.str()) out->Delete(db_[Family::kTraces], rocksdb::Slice(trace));
          return absl::OkStatus();
        });
    // A trace that leads to nothing is harmless.
    return absl::IsDataLoss(traces) ? absl::OkStatus() : traces;
  }

  absl::Status Move(const IndexBatch& batch, rocksdb::WriteBatch* out) {
    const std::unordered_set<ResultKey, DigestHash> forgotten(batch.forget.begin(), batch.forget.end());
    for (const auto& [place, worth] : batch.moves) {
      out->Delete(db_[Family::kWorth], format::WorthKey(place));
      if (forgotten.contains(place.key)) continue;
      ASSIGN_OR_RETURN(const auto value, db_.GetReadable(Family::kResults, place.key.digest.view()));
      if (value) out->Put(db_[Family::kWorth], format::WorthKey({worth, place.key}), "");
    }
    return absl::OkStatus();
  }

  absl::Status AddResults(const IndexBatch& batch, rocksdb::WriteBatch* out) {
    // Of several with one key only the last may be listed: nobody would unlist the others.
    std::unordered_map<ResultKey, const ResultRecord*, DigestHash> last;
    for (const auto& [key, record] : batch.results) last[key] = &record;
    for (const auto& [key, record] : last) {
      // One that cannot be read may still be replaced.
      ASSIGN_OR_RETURN(const auto value, db_.GetReadable(Family::kResults, key.digest.view()));
      if (const auto old = format::ParseResultValue(value.value_or("")); old.ok()) Unlist(key, *old, out);
      out->Put(db_[Family::kResults], rocksdb::Slice(key.digest.view()), format::ResultValue(*record));
      for (const Maker& m : MakersOf(*record)) {
        out->Put(db_[Family::kMadeBy], format::MadeByKey(m.worker(), m.made_unix_ms(), key), "");
      }
      File(key, *record, out);
      // Deleted unasked where it cannot be read.
      const auto damaged = db_.Get(Family::kValues, DamagedName(key));
      if (!damaged.ok() || *damaged) out->Delete(db_[Family::kValues], DamagedName(key));
    }
    return absl::OkStatus();
  }

  // What tells where a result lies in the order of eviction, and which tiles it needs.
  void File(const ResultKey& key, const ResultRecord& record, rocksdb::WriteBatch* out) {
    out->Put(db_[Family::kWorth], format::WorthKey({WorthOf(record), key}), "");
    for (const Digest& d : StoredTilesOf(record)) out->Put(db_[Family::kNamedBy], format::NamedByKey(d, key), "");
  }

  // The reverse of what AddResults did, but for the record itself.
  void Unlist(const ResultKey& key, const ResultRecord& record, rocksdb::WriteBatch* out) {
    for (const Maker& m : MakersOf(record)) {
      out->Delete(db_[Family::kMadeBy], format::MadeByKey(m.worker(), m.made_unix_ms(), key));
    }
    out->Delete(db_[Family::kWorth], format::WorthKey({WorthOf(record), key}));
    for (const Digest& d : StoredTilesOf(record)) out->Delete(db_[Family::kNamedBy], format::NamedByKey(d, key));
  }

  // Once, for an index of state 1. Begun anew after a crash: repeating is harmless.
  absl::Status FileOldResults() {
    ASSIGN_OR_RETURN(const auto filed, db_.Get(Family::kDefault, format::kFiledKey));
    if (filed) return absl::OkStatus();
    const uint64_t count = CountResults();
    if (count > 0) spdlog::info("a cache of an older version: about {} results are filed for eviction, once", count);
    rocksdb::WriteBatch out;
    RETURN_IF_ERROR(
        db_.ForEach(Family::kResults, "", [&](std::string_view key, std::string_view value) -> absl::Status {
          const auto digest = Digest::FromBytes(key);
          const auto record = format::ParseResultValue(value);
          // Whoever asks for one that cannot be read is told so.
          if (!digest || !record.ok()) return absl::OkStatus();
          File(ResultKey{*digest}, *record, &out);
          if (out.GetDataSize() < kFilingBytes) return absl::OkStatus();
          RETURN_IF_ERROR(db_.Write(&out, false));
          out.Clear();
          return absl::OkStatus();
        }));
    out.Put(db_[Family::kDefault], format::kFiledKey, "");
    RETURN_IF_ERROR(db_.Write(&out, true));
    if (count > 0) spdlog::info("all results are filed");
    return absl::OkStatus();
  }

  void AddState(const IndexBatch& batch, rocksdb::WriteBatch* out) {
    for (const auto& [trace, key] : batch.traces) {
      out->Put(db_[Family::kTraces], rocksdb::Slice(trace.view()), rocksdb::Slice(key.digest.view()));
      out->Put(db_[Family::kTracesOf], key.digest.str() + trace.str(), "");
    }
    for (const NameRecord& n : batch.forget_names) {
      out->Delete(db_[Family::kNames], format::NameKey(n.stack, n.pass, n.segment, n.frame));
    }
    for (const NameRecord& n : batch.names) {
      out->Put(db_[Family::kNames], format::NameKey(n.stack, n.pass, n.segment, n.frame), format::NameValue(n));
    }
    for (const auto& [name, value] : batch.values) {
      if (value.empty()) {
        out->Delete(db_[Family::kValues], name);
      } else {
        out->Put(db_[Family::kValues], name, value);
      }
    }
  }

  const std::unique_ptr<IndexDatabase> database_;
  IndexDatabase& db_;

  Mutex commit_mutex_;
  // Newest journal entry.
  uint64_t sequence_ ABSL_GUARDED_BY(commit_mutex_) = 0;
};

}  // namespace

absl::StatusOr<std::unique_ptr<RocksResultIndex>> RocksResultIndex::Open(const std::string& folder,
                                                                         std::shared_ptr<DiskReserve> reserve) {
  ASSIGN_OR_RETURN(auto database, IndexDatabase::Open(folder, std::move(reserve)));
  auto index = std::make_unique<Engine>(std::move(database));
  RETURN_IF_ERROR(index->Recover(), Annotate("opening ", folder));
  return index;
}

}  // namespace selvage
