#include "cache/evict.h"

#include <algorithm>
#include <unordered_set>
#include <utility>

#include "cache/manifest.h"
#include "proto/status.h"

namespace selvage {
namespace {

// What a result costs besides its tiles: its manifest and index entries.
constexpr uint64_t kResultOverheadBytes = 4096;
// Small enough that Pin and commits never wait long.
constexpr size_t kResultsPerStep = 64;
constexpr size_t kTilesPerStep = 512;
// Each round evicts or gives space back; a quarter of the files a round.
constexpr int kMaxRounds = 12;
constexpr auto kSweepEvery = std::chrono::hours(1);
constexpr int kTicksBetweenSaves = 600;

// Value of the index that holds the use counts. DO NOT CHANGE.
constexpr char kUsesValue[] = "evict/uses";

class ScopedDeletion {
 public:
  explicit ScopedDeletion(TilePins* pins) : pins_(pins) { pins_->BeginDeletion(); }
  ~ScopedDeletion() { pins_->EndDeletion(); }

 private:
  TilePins* const pins_;
};

}  // namespace

Evictor::Evictor(std::shared_ptr<TileStore> tiles, std::shared_ptr<ResultIndex> index,
                 std::shared_ptr<TilePins> pins, std::shared_ptr<Fill> fill, std::shared_ptr<Space> space,
                 const EvictorOptions& options)
    : tiles_(std::move(tiles)),
      index_(std::move(index)),
      tile_pins_(std::move(pins)),
      fill_(std::move(fill)),
      space_(std::move(space)),
      options_(options) {
  const auto saved = index_->FindValue(kUsesValue);
  if (saved.ok() && *saved) uses_.Load(**saved);
}

Evictor::~Evictor() { Stop(); }

void Evictor::Pin(std::span<const ResultKey> keys) {
  std::lock_guard lock(pins_mutex_);
  for (const ResultKey& key : keys) ++pinned_[key];
}

void Evictor::Unpin(std::span<const ResultKey> keys) {
  std::lock_guard lock(pins_mutex_);
  for (const ResultKey& key : keys) {
    const auto it = pinned_.find(key);
    if (it != pinned_.end() && --it->second == 0) pinned_.erase(it);
  }
}

void Evictor::SetKeep(std::function<Keep(const ResultKey&)> keep) {
  std::lock_guard lock(pins_mutex_);
  keep_ = std::move(keep);
}

void Evictor::Start() {
  thread_ = std::thread([this] { Loop(); });
}

void Evictor::Stop() {
  if (!thread_.joinable()) return;
  {
    std::lock_guard lock(stop_mutex_);
    stopping_ = true;
  }
  space_->StopReclaiming();
  stop_wake_.notify_one();
  thread_.join();
  SaveUses();
}

void Evictor::Loop() {
  int ticks = 0;
  std::unique_lock lock(stop_mutex_);
  while (!stopping_) {
    lock.unlock();
    const auto began = std::chrono::steady_clock::now();
    // A failed step is tried again later; meanwhile the fill level makes Put
    // refuse, which everybody hears of.
    RunOnce().IgnoreError();
    const auto took = std::chrono::steady_clock::now() - began;
    if (++ticks % kTicksBetweenSaves == 0) SaveUses();
    lock.lock();
    // Where everything is pinned, each run reads the whole index for nothing: at
    // most a fifth of the time goes into it.
    const auto pause = std::max<std::chrono::steady_clock::duration>(options_.tick, 4 * took);
    stop_wake_.wait_for(lock, pause, [&] { return stopping_; });
  }
}

absl::Status Evictor::RunOnce() {
  std::lock_guard lock(run_mutex_);
  const Usage now = Measure();
  if (now.used <= now.budget * options_.begin) return absl::OkStatus();
  return MakeRoom(now);
}

absl::Status Evictor::MakeRoom(Usage now) {
  bool changed = false;
  if (const auto time = std::chrono::steady_clock::now(); time >= next_sweep_) {
    next_sweep_ = time + kSweepEvery;
    ASSIGN_OR_RETURN(const uint64_t swept, SweepOrphans());
    changed = swept > 0;
  }
  for (int round = 0; round < kMaxRounds; ++round) {
    // Bytes of deleted tiles show as garbage only after they were compacted.
    if (changed) {
      RETURN_IF_ERROR(space_->Reclaim());
      const Usage before = std::exchange(now, Measure());
      if (now.used <= now.budget * options_.begin) return absl::OkStatus();
      changed = now.used < before.used;
    }
    const uint64_t alive = now.used - std::min(now.used, space_->GarbageBytes());
    const uint64_t goal = static_cast<uint64_t>(now.budget * options_.end);
    if (alive > goal) {
      ASSIGN_OR_RETURN(const uint64_t evicted, EvictBytes(alive - goal));
      changed |= evicted > 0;
    } else if (round == 0) {
      changed = true;
    }
    if (!changed) return absl::OkStatus();
  }
  return absl::OkStatus();
}

// Others fill the disk too: what they leave is the budget then.
Evictor::Usage Evictor::Measure() {
  Usage now;
  now.used = space_->AllocatedBytes();
  now.budget = std::min(options_.budget_bytes, now.used + space_->AvailableBytes());
  fill_->Measured(now.used, now.budget);
  return now;
}

absl::StatusOr<uint64_t> Evictor::EvictBytes(uint64_t bytes) {
  // From before anything is looked at, so that no commit slips in between.
  const ScopedDeletion deletion(tile_pins_.get());
  ASSIGN_OR_RETURN(const std::vector<Candidate> ranked, Rank());
  std::vector<ResultKey> keys;
  uint64_t freed = 0;
  for (const Candidate& c : ranked) {
    if (freed >= bytes) break;
    freed += c.bytes;
    keys.push_back(c.key);
  }
  ASSIGN_OR_RETURN(Victims victims, Mark(std::move(keys)));
  ASSIGN_OR_RETURN(const uint64_t evicted, Remove(std::move(victims)));
  evicted_ += evicted;
  return evicted;
}

// Least valuable first; equals by key, so that the same ones stay each time.
absl::StatusOr<std::vector<Evictor::Candidate>> Evictor::Rank() {
  std::vector<Candidate> ranked;
  RETURN_IF_ERROR(index_->ScanResults([&](const ResultKey& key, const ResultRecord& record) {
    const Keep keep = KeepOf(key);
    if (keep == Keep::kPinned) return;
    const uint64_t bytes = record.bytes + kResultOverheadBytes;
    const double value =
        keep == Keep::kFirstToGo ? -1 : record.seconds * (1 + uses_.Count(key)) / static_cast<double>(bytes);
    ranked.push_back({value, bytes, key});
  }));
  std::sort(ranked.begin(), ranked.end(), [](const Candidate& a, const Candidate& b) {
    return a.value != b.value ? a.value < b.value : a.key < b.key;
  });
  return ranked;
}

absl::StatusOr<Evictor::Victims> Evictor::Mark(std::vector<ResultKey> keys) {
  Victims victims;
  victims.keys = std::move(keys);
  victims.tiles.resize(victims.keys.size());
  ASSIGN_OR_RETURN(const auto records, index_->Find(victims.keys));
  for (size_t i = 0; i < records.size(); ++i) {
    if (!records[i]) continue;
    victims.tiles[i] = StoredDigests(records[i]->manifest);
    for (const Digest& d : victims.tiles[i]) ++victims.names[d];
  }
  const std::unordered_set<ResultKey, DigestHash> going(victims.keys.begin(), victims.keys.end());
  RETURN_IF_ERROR(index_->ScanResults([&](const ResultKey& key, const ResultRecord& record) {
    if (going.contains(key)) return;
    for (const Digest& d : StoredDigests(record.manifest)) victims.names.erase(d);
  }));
  return victims;
}

absl::StatusOr<uint64_t> Evictor::Remove(Victims victims) {
  uint64_t removed = 0;
  for (size_t first = 0; first < victims.keys.size(); first += kResultsPerStep) {
    const size_t last = std::min(first + kResultsPerStep, victims.keys.size());
    ASSIGN_OR_RETURN(const std::vector<size_t> unindexed, Unindex(victims.keys, first, last));
    removed += unindexed.size();
    std::vector<Digest> unnamed;
    for (const size_t i : unindexed) {
      for (const Digest& d : victims.tiles[i]) {
        const auto it = victims.names.find(d);
        if (it != victims.names.end() && --it->second == 0) unnamed.push_back(d);
      }
    }
    RETURN_IF_ERROR(DeleteTiles(unnamed));
  }
  return removed;
}

absl::StatusOr<std::vector<size_t>> Evictor::Unindex(const std::vector<ResultKey>& keys, size_t first, size_t last) {
  std::vector<size_t> unindexed;
  IndexBatch batch;
  // Held over the write: whoever pins and then looks must not see a result that
  // is about to go.
  std::lock_guard lock(pins_mutex_);
  for (size_t i = first; i < last; ++i) {
    if (pinned_.contains(keys[i])) continue;
    if (keep_ && keep_(keys[i]) == Keep::kPinned) continue;
    unindexed.push_back(i);
    batch.forget.push_back(keys[i]);
  }
  if (!unindexed.empty()) RETURN_IF_ERROR(index_->Commit(batch).status());
  return unindexed;
}

absl::Status Evictor::DeleteTiles(const std::vector<Digest>& digests) {
  for (size_t first = 0; first < digests.size(); first += kTilesPerStep) {
    const size_t count = std::min(kTilesPerStep, digests.size() - first);
    RETURN_IF_ERROR(tile_pins_->DeleteUnpinned(tiles_.get(), std::span(digests).subspan(first, count)));
  }
  return absl::OkStatus();
}

absl::StatusOr<uint64_t> Evictor::SweepOrphans() {
  const ScopedDeletion deletion(tile_pins_.get());
  // Tiles first: what is put after this is none of our business.
  std::vector<Digest> held;
  RETURN_IF_ERROR(tiles_->Scan([&](const Digest& d, uint64_t) { held.push_back(d); }));
  std::sort(held.begin(), held.end());
  std::vector<bool> named(held.size());
  RETURN_IF_ERROR(index_->ScanResults([&](const ResultKey&, const ResultRecord& record) {
    for (const Digest& d : StoredDigests(record.manifest)) {
      const auto it = std::lower_bound(held.begin(), held.end(), d);
      if (it != held.end() && *it == d) named[it - held.begin()] = true;
    }
  }));
  std::vector<Digest> orphans;
  for (size_t i = 0; i < held.size(); ++i) {
    if (!named[i]) orphans.push_back(held[i]);
  }
  RETURN_IF_ERROR(DeleteTiles(orphans));
  return orphans.size();
}

Keep Evictor::KeepOf(const ResultKey& key) {
  std::lock_guard lock(pins_mutex_);
  if (pinned_.contains(key)) return Keep::kPinned;
  return keep_ ? keep_(key) : Keep::kNormal;
}

void Evictor::SaveUses() {
  IndexBatch batch;
  batch.values.emplace_back(kUsesValue, uses_.Save());
  // Losing them costs some wrong choices, no more.
  index_->Commit(batch).IgnoreError();
}

}  // namespace selvage
