#include "cache/memory_result_index.h"

#include "cache/format.h"
#include "cache/manifest.h"

namespace selvage {

absl::StatusOr<std::vector<std::optional<ResultRecord>>> MemoryResultIndex::Find(std::span<const ResultKey> keys) {
  std::vector<std::optional<ResultRecord>> found;
  found.reserve(keys.size());
  MutexLock lock(&mutex_);
  for (const ResultKey& key : keys) {
    const auto it = results_.find(key);
    found.push_back(it == results_.end() ? std::nullopt : std::optional(it->second));
  }
  return found;
}

absl::StatusOr<std::optional<ResultKey>> MemoryResultIndex::FindTrace(const Digest& trace_key) {
  MutexLock lock(&mutex_);
  const auto it = traces_.find(trace_key);
  return it == traces_.end() ? std::nullopt : std::optional(it->second);
}

absl::StatusOr<std::vector<NameRecord>> MemoryResultIndex::FindNames(const std::string& stack,
                                                                     const std::string& pass) {
  const std::string prefix = format::NamePrefix(stack, pass);
  std::vector<NameRecord> found;
  MutexLock lock(&mutex_);
  for (auto it = names_.lower_bound(prefix); it != names_.end() && it->first.starts_with(prefix); ++it) {
    found.push_back(it->second);
  }
  return found;
}

absl::StatusOr<std::vector<std::optional<NameRecord>>> MemoryResultIndex::FindNamesAt(
    std::span<const NameRecord> places) {
  std::vector<std::optional<NameRecord>> found;
  MutexLock lock(&mutex_);
  for (const NameRecord& n : places) {
    const auto it = names_.find(format::NameKey(n.stack, n.pass, n.segment, n.frame));
    found.push_back(it == names_.end() ? std::nullopt : std::optional(it->second));
  }
  return found;
}

absl::StatusOr<std::vector<std::string>> MemoryResultIndex::ListStacks() {
  std::vector<std::string> stacks;
  MutexLock lock(&mutex_);
  for (const auto& [key, name] : names_) {
    if (stacks.empty() || stacks.back() != name.stack) stacks.push_back(name.stack);
  }
  return stacks;
}

absl::StatusOr<std::vector<ResultKey>> MemoryResultIndex::FindMadeBy(const std::string& worker, int64_t since_unix_ms) {
  std::vector<ResultKey> found;
  MutexLock lock(&mutex_);
  for (const auto& [key, record] : results_) {
    for (const Maker& m : MakersOf(record)) {
      const bool made = m.worker() == worker || m.worker().starts_with(worker + ":");
      if (made && m.made_unix_ms() >= since_unix_ms) found.push_back(key);
    }
  }
  return found;
}

absl::StatusOr<std::optional<std::string>> MemoryResultIndex::FindValue(const std::string& name) {
  MutexLock lock(&mutex_);
  const auto it = values_.find(name);
  return it == values_.end() ? std::nullopt : std::optional(it->second);
}

absl::StatusOr<std::vector<std::pair<std::string, std::string>>> MemoryResultIndex::ListValues(
    const std::string& prefix) {
  std::vector<std::pair<std::string, std::string>> found;
  MutexLock lock(&mutex_);
  for (auto it = values_.lower_bound(prefix); it != values_.end() && it->first.starts_with(prefix); ++it) {
    found.emplace_back(*it);
  }
  return found;
}

absl::Status MemoryResultIndex::ReadJournal(uint64_t from_sequence,
                                            const std::function<void(const JournalEntry&)>& visit) {
  std::vector<JournalEntry> entries;
  {
    MutexLock lock(&mutex_);
    for (auto it = journal_.lower_bound(from_sequence); it != journal_.end(); ++it) entries.push_back(it->second);
  }
  for (const JournalEntry& e : entries) visit(e);
  return absl::OkStatus();
}

absl::StatusOr<uint64_t> MemoryResultIndex::Commit(const IndexBatch& batch) {
  if (absl::Status s = format::CheckNames(batch); !s.ok()) return s;
  MutexLock lock(&mutex_);
  for (const ResultKey& key : batch.forget) ForgetLocked(key);
  for (const auto& [place, worth] : batch.moves) {
    places_.erase(place);
    if (results_.contains(place.key)) places_.insert({worth, place.key});
  }
  for (const auto& [key, record] : batch.results) AddLocked(key, record);
  for (const auto& [trace, key] : batch.traces) {
    traces_.insert_or_assign(trace, key);
    traces_of_.emplace(key, trace);
  }
  for (const NameRecord& n : batch.forget_names) names_.erase(format::NameKey(n.stack, n.pass, n.segment, n.frame));
  for (const NameRecord& n : batch.names) {
    names_.insert_or_assign(format::NameKey(n.stack, n.pass, n.segment, n.frame), n);
  }
  for (const auto& [name, value] : batch.values) {
    if (value.empty()) {
      values_.erase(name);
    } else {
      values_.insert_or_assign(name, value);
    }
  }
  uint64_t sequence = journal_.empty() ? 0 : journal_.rbegin()->first;
  for (const uint64_t done : batch.journal_done) {
    if (done != sequence) journal_.erase(done);
  }
  for (const auto& [type, payload] : batch.journal) {
    ++sequence;
    journal_.emplace(sequence, JournalEntry{sequence, type, payload});
  }
  return sequence;
}

absl::StatusOr<std::vector<WorthPlace>> MemoryResultIndex::ListPlaces(const WorthPlace& after, size_t count) {
  std::vector<WorthPlace> found;
  MutexLock lock(&mutex_);
  for (auto it = places_.upper_bound(after); it != places_.end() && found.size() < count; ++it) found.push_back(*it);
  return found;
}

absl::StatusOr<std::vector<Digest>> MemoryResultIndex::FindUnnamed(std::span<const Digest> tiles) {
  std::vector<Digest> unnamed;
  MutexLock lock(&mutex_);
  for (const Digest& d : tiles) {
    const auto it = named_by_.lower_bound({d, ResultKey()});
    if (it == named_by_.end() || it->first != d) unnamed.push_back(d);
  }
  return unnamed;
}

absl::Status MemoryResultIndex::ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& visit) {
  // A copy: one moment, and the visitor may call the index.
  std::unordered_map<ResultKey, ResultRecord, DigestHash> results;
  {
    MutexLock lock(&mutex_);
    results = results_;
  }
  for (const auto& [key, record] : results) visit(key, record);
  return absl::OkStatus();
}

uint64_t MemoryResultIndex::CountResults() {
  MutexLock lock(&mutex_);
  return results_.size();
}

void MemoryResultIndex::AddLocked(const ResultKey& key, const ResultRecord& record) {
  RemoveLocked(key);
  for (const Digest& d : StoredTilesOf(record)) named_by_.emplace(d, key);
  places_.insert({WorthOf(record), key});
  values_.erase(DamagedName(key));
  results_.emplace(key, record);
}

void MemoryResultIndex::RemoveLocked(const ResultKey& key) {
  const auto it = results_.find(key);
  if (it == results_.end()) return;
  for (const Digest& d : StoredTilesOf(it->second)) named_by_.erase({d, key});
  places_.erase({WorthOf(it->second), key});
  results_.erase(it);
}

void MemoryResultIndex::ForgetLocked(const ResultKey& key) {
  RemoveLocked(key);
  const auto [first, last] = traces_of_.equal_range(key);
  for (auto it = first; it != last; ++it) {
    // The trace may lead to a newer result by now.
    const auto trace = traces_.find(it->second);
    if (trace != traces_.end() && trace->second == key) traces_.erase(trace);
  }
  traces_of_.erase(first, last);
}

}  // namespace selvage
