#include "cache/evict.h"

#include <algorithm>
#include <utility>

#include "cache/format.h"
#include "cache/manifest.h"
#include "proto/status.h"

namespace selvage {
namespace {

// Small enough that Pin and commits never wait long.
constexpr size_t kResultsPerStep = 64;
constexpr size_t kTilesPerStep = 512;
// Tiles that a run looks at before it evicts, for some that nobody names: a tenth of a second.
constexpr size_t kTilesSweptFirst = 65536;
// Steps among what is set aside that a run makes when it finds nothing else.
constexpr int kAsideTurns = 16;
// Each round evicts or gives space back; a quarter of the files a round.
constexpr int kMaxRounds = 12;
constexpr auto kSweepEvery = std::chrono::hours(1);
constexpr int kTicksBetweenSaves = 600;

class ScopedDeletion {
 public:
  explicit ScopedDeletion(TilePins* pins) : pins_(pins) { pins_->BeginDeletion(); }
  ~ScopedDeletion() { pins_->EndDeletion(); }

 private:
  TilePins* const pins_;
};

}  // namespace

Evictor::Evictor(std::shared_ptr<TileStore> tiles, std::shared_ptr<ResultIndex> index, std::shared_ptr<TilePins> pins,
                 std::shared_ptr<Fill> fill, std::shared_ptr<Space> space, const EvictorOptions& options)
    : tiles_(std::move(tiles)),
      index_(std::move(index)),
      tile_pins_(std::move(pins)),
      fill_(std::move(fill)),
      space_(std::move(space)),
      options_(options) {
  const auto saved = index_->FindValue(format::kUsesName);
  if (saved.ok() && *saved) uses_.Load(**saved);
}

Evictor::~Evictor() { Stop(); }

void Evictor::Pin(std::span<const ResultKey> keys) {
  MutexLock lock(&pins_mutex_);
  for (const ResultKey& key : keys) ++pinned_[key];
}

void Evictor::Unpin(std::span<const ResultKey> keys) {
  MutexLock lock(&pins_mutex_);
  for (const ResultKey& key : keys) {
    const auto it = pinned_.find(key);
    if (it == pinned_.end() || --it->second > 0) continue;
    pinned_.erase(it);
    if (aside_.erase(key) > 0) returned_.push_back(key);
  }
}

void Evictor::SetKeep(std::function<Keep(const ResultKey&)> keep, std::function<std::vector<ResultKey>()> first_to_go) {
  MutexLock lock(&pins_mutex_);
  keep_ = std::move(keep);
  first_to_go_ = std::move(first_to_go);
}

void Evictor::SetGiveWay(std::function<bool()> give_way) {
  MutexLock lock(&pins_mutex_);
  give_way_ = std::move(give_way);
}

void Evictor::Start() {
  thread_ = std::thread([this] { Loop(); });
}

void Evictor::Stop() {
  if (!thread_.joinable()) return;
  stopping_ = true;
  space_->StopReclaiming();
  fill_->Wake();
  thread_.join();
  SaveUses();
}

void Evictor::Loop() {
  int ticks = 0;
  while (!stopping_) {
    const auto began = std::chrono::steady_clock::now();
    const uint64_t before = evicted_;
    // A failed step is tried again later; meanwhile the fill level makes Put
    // refuse, which everybody hears of.
    RunOnce().IgnoreError();
    const auto took = std::chrono::steady_clock::now() - began;
    if (++ticks % kTicksBetweenSaves == 0) SaveUses();
    // At most a fifth of the time goes into looking for nothing.
    std::chrono::steady_clock::duration pause = options_.tick;
    if (evicted_ == before) pause = std::max(pause, 4 * took);
    if (!stopping_) fill_->Wait(pause);
  }
}

absl::Status Evictor::RunOnce() {
  MutexLock lock(&run_mutex_);
  const Usage now = Measure();
  if (now.used <= now.budget * options_.begin) return absl::OkStatus();
  return MakeRoom(now);
}

absl::Status Evictor::MakeRoom(Usage now) {
  ASSIGN_OR_RETURN(const uint64_t swept, SweepFirst());
  bool changed = swept > 0;
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
      const uint64_t allowed = static_cast<uint64_t>(now.budget * options_.begin);
      ASSIGN_OR_RETURN(const uint64_t evicted, EvictBytes(alive - goal, alive - std::min(alive, allowed)));
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

absl::StatusOr<uint64_t> Evictor::SweepFirst() {
  const ScopedDeletion deletion(tile_pins_.get());
  return Sweep(kTilesSweptFirst);
}

absl::StatusOr<uint64_t> Evictor::EvictBytes(uint64_t bytes, uint64_t must) {
  // From before anything is looked at, so that no commit slips in between.
  const ScopedDeletion deletion(tile_pins_.get());
  RETURN_IF_ERROR(BringBack());
  ASSIGN_OR_RETURN(const Looked first, EvictFirstToGo(bytes));
  if (first.freed_bytes >= bytes) return first.evicted;
  ASSIGN_OR_RETURN(Looked all, EvictCheapest(bytes - first.freed_bytes));
  all.evicted += first.evicted;
  all.freed_bytes += first.freed_bytes;
  std::function<bool()> give_way;
  {
    MutexLock lock(&pins_mutex_);
    give_way = give_way_;
  }
  while (all.freed_bytes < must && give_way && give_way()) {
    RETURN_IF_ERROR(BringBack());
    ASSIGN_OR_RETURN(const Looked more, EvictCheapest(must - all.freed_bytes));
    all.evicted += more.evicted;
    all.freed_bytes += more.freed_bytes;
  }
  return all.evicted;
}

absl::Status Evictor::BringBack() {
  std::vector<WorthPlace> returned;
  {
    MutexLock lock(&pins_mutex_);
    for (const ResultKey& key : std::exchange(returned_, {})) returned.push_back({kSetAside, key});
  }
  for (size_t at = 0; at < returned.size(); at += kResultsPerStep) {
    const size_t count = std::min(kResultsPerStep, returned.size() - at);
    RETURN_IF_ERROR(Look(std::span(returned).subspan(at, count), 0).status());
  }
  return absl::OkStatus();
}

// Most of them are gone already, or not there yet.
absl::StatusOr<Evictor::Looked> Evictor::EvictFirstToGo(uint64_t bytes) {
  std::function<std::vector<ResultKey>()> list;
  {
    MutexLock lock(&pins_mutex_);
    list = first_to_go_;
  }
  std::vector<ResultKey> keys;
  if (list) keys = list();
  // Equals by key, so that the same ones stay each time.
  std::sort(keys.begin(), keys.end());
  Looked all;
  for (size_t at = 0; at < keys.size() && all.freed_bytes < bytes; at += kResultsPerStep) {
    const auto some = std::span(keys).subspan(at, std::min(kResultsPerStep, keys.size() - at));
    ASSIGN_OR_RETURN(const auto records, index_->Find(some));
    std::vector<WorthPlace> there;
    for (size_t i = 0; i < some.size(); ++i) {
      if (records[i]) there.push_back({0, some[i]});
    }
    ASSIGN_OR_RETURN(const Looked looked, Look(there, bytes - all.freed_bytes));
    all.evicted += looked.evicted;
    all.freed_bytes += looked.freed_bytes;
  }
  return all;
}

absl::StatusOr<Evictor::Looked> Evictor::EvictCheapest(uint64_t bytes) {
  Looked all;
  int aside_turns = 0;
  WorthPlace at;
  while (all.freed_bytes < bytes) {
    ASSIGN_OR_RETURN(std::vector<WorthPlace> places, index_->ListPlaces(at, kResultsPerStep));
    std::erase_if(places, [](const WorthPlace& p) { return p.worth == kSetAside; });
    if (places.empty()) {
      // Pins that went while nobody could tell: in a life of the daemon before this one, or by a wish withdrawn.
      uint64_t moved = 0;
      while (moved == 0 && aside_turns++ < kAsideTurns) {
        ASSIGN_OR_RETURN(const Looked looked, Turn(&aside_hand_, {kSetAside}));
        moved = looked.moved;
      }
      if (moved == 0) break;
      at = WorthPlace();
      continue;
    }
    at = places.back();
    ASSIGN_OR_RETURN(const Looked looked, Look(places, bytes - all.freed_bytes));
    all.evicted += looked.evicted;
    all.freed_bytes += looked.freed_bytes;
    RETURN_IF_ERROR(Turn(&hand_, WorthPlace()).status());
    RETURN_IF_ERROR(Sweep(kTilesPerStep).status());
  }
  return all;
}

absl::StatusOr<Evictor::Looked> Evictor::Look(std::span<const WorthPlace> places, uint64_t bytes) {
  std::vector<ResultKey> keys;
  for (const WorthPlace& p : places) keys.push_back(p.key);
  ASSIGN_OR_RETURN(const auto records, index_->Find(keys));
  Looked looked;
  IndexBatch batch;
  std::vector<Digest> tiles;
  {
    // Held over the write: whoever pins and then looks must not see a result that
    // is about to go.
    MutexLock lock(&pins_mutex_);
    for (size_t i = 0; i < places.size() && (bytes == 0 || looked.freed_bytes < bytes); ++i) {
      const WorthPlace& place = places[i];
      if (!records[i]) {
        batch.moves.emplace_back(place, place.worth);
        continue;
      }
      const Keep keep = KeepOfLocked(place.key);
      if (keep == Keep::kPinned) {
        if (bytes == 0 || place.worth == kSetAside) continue;
        batch.moves.emplace_back(place, kSetAside);
        if (pinned_.contains(place.key)) aside_.insert(place.key);
        continue;
      }
      const double worth = keep == Keep::kFirstToGo ? 0 : WorthOf(*records[i]) * (1 + uses_.Count(place.key));
      if (bytes > 0 && worth <= place.worth) {
        batch.forget.push_back(place.key);
        batch.moves.emplace_back(place, place.worth);
        looked.freed_bytes += records[i]->bytes + kResultOverheadBytes;
        for (const Digest& d : StoredTilesOf(*records[i])) tiles.push_back(d);
      } else if (worth != place.worth) {
        batch.moves.emplace_back(place, worth);
      }
    }
    if (!batch.moves.empty()) RETURN_IF_ERROR(index_->Commit(batch).status());
  }
  looked.evicted = batch.forget.size();
  looked.moved = batch.moves.size() - batch.forget.size();
  evicted_ += looked.evicted;
  RETURN_IF_ERROR(DeleteUnnamed(std::move(tiles)).status());
  return looked;
}

absl::StatusOr<Evictor::Looked> Evictor::Turn(WorthPlace* hand, const WorthPlace& first) {
  ASSIGN_OR_RETURN(const std::vector<WorthPlace> places, index_->ListPlaces(*hand, kResultsPerStep));
  *hand = places.size() < kResultsPerStep ? first : places.back();
  return Look(places, 0);
}

absl::StatusOr<uint64_t> Evictor::Sweep(size_t count) {
  uint64_t swept = 0;
  for (size_t seen = 0; seen < count; seen += kTilesPerStep) {
    // A new round not too soon: it also takes tiles whose commit is on its way.
    if (swept_ == Digest()) {
      const auto now = std::chrono::steady_clock::now();
      if (now < next_sweep_) break;
      next_sweep_ = now + kSweepEvery;
    }
    ASSIGN_OR_RETURN(std::vector<Digest> held, tiles_->List(swept_, kTilesPerStep));
    swept_ = held.size() < kTilesPerStep ? Digest() : held.back();
    ASSIGN_OR_RETURN(const uint64_t unnamed, DeleteUnnamed(std::move(held)));
    swept += unnamed;
  }
  return swept;
}

absl::StatusOr<uint64_t> Evictor::DeleteUnnamed(std::vector<Digest> tiles) {
  std::sort(tiles.begin(), tiles.end());
  tiles.erase(std::unique(tiles.begin(), tiles.end()), tiles.end());
  ASSIGN_OR_RETURN(const std::vector<Digest> unnamed, index_->FindUnnamed(tiles));
  for (size_t first = 0; first < unnamed.size(); first += kTilesPerStep) {
    const size_t count = std::min(kTilesPerStep, unnamed.size() - first);
    RETURN_IF_ERROR(tile_pins_->DeleteUnpinned(tiles_.get(), std::span(unnamed).subspan(first, count)));
  }
  return unnamed.size();
}

Keep Evictor::KeepOfLocked(const ResultKey& key) const {
  if (pinned_.contains(key)) return Keep::kPinned;
  return keep_ ? keep_(key) : Keep::kNormal;
}

void Evictor::SaveUses() {
  IndexBatch batch;
  batch.values.emplace_back(format::kUsesName, uses_.Save());
  // Losing them costs some wrong choices, no more.
  index_->Commit(batch).IgnoreError();
}

}  // namespace selvage
