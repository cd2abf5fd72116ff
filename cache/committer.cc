#include "cache/committer.h"

#include <algorithm>
#include <future>
#include <iterator>
#include <unordered_set>

#include "cache/manifest.h"
#include "proto/status.h"

namespace selvage {
namespace {

std::vector<Digest> TilesOf(const IndexBatch& batch) {
  std::vector<Digest> digests;
  for (const auto& [key, record] : batch.results) {
    for (const Digest& d : StoredTilesOf(record)) digests.push_back(d);
  }
  return digests;
}

uint64_t BytesOf(const IndexBatch& batch) {
  uint64_t bytes = 0;
  for (const auto& [key, record] : batch.results) bytes += record.bytes;
  return bytes;
}

template <class T>
void Append(std::vector<T>* to, const std::vector<T>& from) {
  to->insert(to->end(), from.begin(), from.end());
}

void Append(IndexBatch* to, const IndexBatch& from) {
  Append(&to->results, from.results);
  Append(&to->traces, from.traces);
  Append(&to->names, from.names);
  Append(&to->forget_names, from.forget_names);
  Append(&to->journal, from.journal);
  Append(&to->values, from.values);
  Append(&to->forget, from.forget);
  Append(&to->journal_done, from.journal_done);
  Append(&to->moves, from.moves);
}

bool Forgets(const IndexBatch& batch) { return !batch.forget.empty() || !batch.forget_names.empty(); }

}  // namespace

Committer::Committer(std::shared_ptr<TileStore> tiles, std::shared_ptr<ResultIndex> index,
                     std::shared_ptr<TilePins> pins, const CommitterOptions& options)
    : tiles_(std::move(tiles)), index_(std::move(index)), pins_(std::move(pins)), options_(options) {
  thread_ = std::thread([this] { Run(); });
}

Committer::~Committer() {
  {
    MutexLock lock(&mutex_);
    stopping_ = true;
  }
  thread_.join();
}

void Committer::Add(IndexBatch part, Done done) {
  {
    MutexLock lock(&mutex_);
    waiting_bytes_ += BytesOf(part);
    waiting_.push_back({std::move(part), std::move(done)});
  }
}

absl::StatusOr<uint64_t> Committer::Commit(IndexBatch part) {
  std::promise<absl::StatusOr<uint64_t>> promise;
  auto result = promise.get_future();
  Add(std::move(part), [&promise](absl::StatusOr<uint64_t> r) { promise.set_value(std::move(r)); });
  return result.get();
}

void Committer::Run() {
  auto next = std::chrono::steady_clock::now();
  while (true) {
    std::vector<Part> group;
    {
      MutexLock lock(&mutex_);
      mutex_.Await([&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return stopping_ || !waiting_.empty(); });
      mutex_.AwaitUntil(next, [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
        return stopping_ || waiting_bytes_ >= options_.max_bytes;
      });
      if (waiting_.empty()) return;
      group = TakeGroupLocked();
    }
    next = std::chrono::steady_clock::now() + options_.interval;
    CommitGroup(std::move(group));
  }
}

// Forgetting comes first in an index batch, so a part that forgets begins a new
// group: it must see what the parts before it wrote.
std::vector<Committer::Part> Committer::TakeGroupLocked() {
  const auto end = std::find_if(waiting_.begin() + 1, waiting_.end(), [](const Part& p) { return Forgets(p.batch); });
  std::vector<Part> group(std::make_move_iterator(waiting_.begin()), std::make_move_iterator(end));
  waiting_.erase(waiting_.begin(), end);
  waiting_bytes_ = 0;
  for (const Part& p : waiting_) waiting_bytes_ += BytesOf(p.batch);
  return group;
}

void Committer::CommitGroup(std::vector<Part> group) {
  std::vector<Digest> digests;
  for (const Part& p : group) Append(&digests, TilesOf(p.batch));
  // Held over the check, the sync and the index write.
  const ScopedTilePins pinned(pins_.get(), std::move(digests));

  absl::Status ready = RefuseIncomplete(&group);
  if (ready.ok() && !group.empty()) ready = tiles_->MakeDurable();
  if (!ready.ok()) {
    for (Part& p : group) p.done(ready);
    return;
  }
  if (group.empty()) return;

  const auto last = Write(group);
  if (!last.ok() && group.size() > 1 && absl::IsInvalidArgument(last.status())) {
    // Somebody's part is malformed: the others must not suffer for it.
    for (size_t i = 0; i < group.size(); ++i) group[i].done(Write(std::span(group).subspan(i, 1)));
    return;
  }
  if (!last.ok()) {
    for (Part& p : group) p.done(last.status());
    return;
  }
  uint64_t sequence = *last;
  for (const Part& p : group) sequence -= p.batch.journal.size();
  for (Part& p : group) p.done(sequence += p.batch.journal.size());
}

absl::Status Committer::RefuseIncomplete(std::vector<Part>* group) {
  std::vector<Digest> wanted;
  for (const Part& p : *group) Append(&wanted, TilesOf(p.batch));
  if (wanted.empty()) return absl::OkStatus();
  ASSIGN_OR_RETURN(const std::vector<Digest> list, tiles_->FindMissing(wanted));
  if (list.empty()) return absl::OkStatus();
  const std::unordered_set<Digest, DigestHash> missing(list.begin(), list.end());
  std::vector<Part> complete;
  for (Part& p : *group) {
    const std::vector<Digest> tiles = TilesOf(p.batch);
    const auto lacking =
        std::count_if(tiles.begin(), tiles.end(), [&](const Digest& d) { return missing.contains(d); });
    if (lacking == 0) {
      complete.push_back(std::move(p));
    } else {
      p.done(absl::FailedPreconditionError(absl::StrCat(lacking, " tiles of the result are not in the store")));
    }
  }
  *group = std::move(complete);
  return absl::OkStatus();
}

absl::StatusOr<uint64_t> Committer::Write(std::span<Part> group) {
  IndexBatch all;
  for (const Part& p : group) Append(&all, p.batch);
  return index_->Commit(all);
}

}  // namespace selvage
