// The result index in memory, for tests and for daemons without a state folder.
#pragma once

#include <map>
#include <set>
#include <unordered_map>

#include "cache/result_index.h"
#include "proto/mutex.h"

namespace selvage {

// Nothing survives the process.
class MemoryResultIndex : public ResultIndex {
 public:
  absl::StatusOr<std::vector<std::optional<ResultRecord>>> Find(std::span<const ResultKey> keys) override;
  absl::StatusOr<std::optional<ResultKey>> FindTrace(const Digest& trace_key) override;
  absl::StatusOr<std::vector<NameRecord>> FindNames(const std::string& stack, const std::string& pass) override;
  absl::StatusOr<std::vector<std::optional<NameRecord>>> FindNamesAt(std::span<const NameRecord> places) override;
  absl::StatusOr<std::vector<std::string>> ListStacks() override;
  absl::StatusOr<std::vector<ResultKey>> FindMadeBy(const std::string& worker, int64_t since_unix_ms) override;
  absl::StatusOr<std::optional<std::string>> FindValue(const std::string& name) override;
  absl::StatusOr<std::vector<std::pair<std::string, std::string>>> ListValues(const std::string& prefix) override;
  absl::Status ReadJournal(uint64_t from_sequence, const std::function<void(const JournalEntry&)>& visit) override;
  absl::StatusOr<uint64_t> Commit(const IndexBatch& batch) override;
  absl::StatusOr<std::vector<WorthPlace>> ListPlaces(const WorthPlace& after, size_t count) override;
  absl::StatusOr<std::vector<Digest>> FindUnnamed(std::span<const Digest> tiles) override;
  absl::Status ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& visit) override;
  uint64_t CountResults() override;

 private:
  void AddLocked(const ResultKey& key, const ResultRecord& record) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void RemoveLocked(const ResultKey& key) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void ForgetLocked(const ResultKey& key) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  Mutex mutex_;
  // Names, values and journal in the order of their persistent keys (format.h).
  std::unordered_map<ResultKey, ResultRecord, DigestHash> results_ ABSL_GUARDED_BY(mutex_);
  std::set<std::pair<Digest, ResultKey>> named_by_ ABSL_GUARDED_BY(mutex_);
  std::set<WorthPlace> places_ ABSL_GUARDED_BY(mutex_);
  std::unordered_map<Digest, ResultKey, DigestHash> traces_ ABSL_GUARDED_BY(mutex_);
  std::unordered_multimap<ResultKey, Digest, DigestHash> traces_of_ ABSL_GUARDED_BY(mutex_);
  std::map<std::string, NameRecord> names_ ABSL_GUARDED_BY(mutex_);
  std::map<std::string, std::string> values_ ABSL_GUARDED_BY(mutex_);
  std::map<uint64_t, JournalEntry> journal_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace selvage
