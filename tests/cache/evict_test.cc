#include "cache/evict.h"

#include <algorithm>
#include <atomic>
#include <chrono>
#include <random>
#include <thread>

#include "cache/bounded_tile_store.h"
#include "cache/memory_result_index.h"
#include "cache/memory_tile_store.h"
#include "cache/open.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

constexpr size_t kTileBytes = 20000;

class MemorySpace final : public Space {
 public:
  explicit MemorySpace(MemoryTileStore* tiles) : tiles_(tiles) {}
  uint64_t AllocatedBytes() override { return tiles_->bytes() + uncollected + others; }
  uint64_t AvailableBytes() override { return disk - std::min(disk, AllocatedBytes()); }
  uint64_t GarbageBytes() override { return uncollected; }
  absl::Status Reclaim() override {
    ++reclaims;
    uncollected = 0;
    return absl::OkStatus();
  }
  void StopReclaiming() override {}
  uint64_t uncollected = 0, others = 0, disk = uint64_t{1} << 40;
  int reclaims = 0;

 private:
  MemoryTileStore* const tiles_;
};

// Counts what eviction looks at, and forbids it to look at everything.
class CountingIndex final : public MemoryResultIndex {
 public:
  absl::StatusOr<std::vector<std::optional<ResultRecord>>> Find(std::span<const ResultKey> keys) override {
    looked += keys.size();
    return MemoryResultIndex::Find(keys);
  }
  absl::StatusOr<std::vector<WorthPlace>> ListPlaces(const WorthPlace& after, size_t count) override {
    looked += count;
    return MemoryResultIndex::ListPlaces(after, count);
  }
  absl::Status ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& visit) override {
    ++scans;
    return MemoryResultIndex::ScanResults(visit);
  }
  std::atomic<uint64_t> looked{0}, scans{0};
};

// A cache with room for about `tiles` noise tiles.
class EvictTest : public testing::Test {
 protected:
  void Budget(double tiles) {
    const uint64_t bytes = static_cast<uint64_t>(tiles * (kTileBytes + 1));
    fill_ = std::make_shared<Fill>();
    fill_->Measured(tiles_->bytes(), bytes);
    bounded_ = std::make_shared<BoundedTileStore>(tiles_, fill_, pins_);
    evictor_ = std::make_unique<Evictor>(tiles_, index_, pins_, fill_, space_, EvictorOptions{.budget_bytes = bytes});
  }
  void Add(const ResultKey& key, const std::vector<StoredTile>& tiles, double seconds = 1) {
    ASSERT_OK(tiles_->Put(tiles));
    ASSERT_OK(index_->Commit({.results = {{key, RecordOf(tiles, seconds)}}}).status());
  }
  // Many results that count as a thousand bytes each, without tiles; the space says what they take.
  void AddSmall(int first, int last, double seconds = 1) {
    IndexBatch batch;
    for (int i = first; i < last; ++i) {
      ResultRecord r = RecordOf({}, seconds);
      r.bytes = kTileBytes - kResultOverheadBytes;
      batch.results.emplace_back(KeyOf(i), r);
    }
    ASSERT_OK(index_->Commit(batch).status());
  }
  void AddNumbered(int number, double seconds = 1) { Add(KeyOf(number), {NoiseTile(number, kTileBytes)}, seconds); }
  bool Has(int number) { return HasKey(KeyOf(number)); }
  bool HasKey(const ResultKey& key) { return index_->Find({&key, 1}).value()[0].has_value(); }
  bool HasTile(int number) {
    const Digest d = NoiseTile(number, kTileBytes).digest;
    return tiles_->FindMissing({&d, 1}).value().empty();
  }
  // No result names a tile that is not there.
  void ExpectWhole() {
    EXPECT_OK(index_->ScanResults([&](const ResultKey&, const ResultRecord& r) {
      EXPECT_TRUE(tiles_->FindMissing(StoredDigests(r.manifest)).value().empty());
    }));
  }

  std::shared_ptr<MemoryTileStore> tiles_ = std::make_shared<MemoryTileStore>();
  std::shared_ptr<CountingIndex> index_ = std::make_shared<CountingIndex>();
  std::shared_ptr<TilePins> pins_ = std::make_shared<TilePins>();
  std::shared_ptr<MemorySpace> space_ = std::make_shared<MemorySpace>(tiles_.get());
  std::shared_ptr<Fill> fill_;
  std::shared_ptr<BoundedTileStore> bounded_;
  std::unique_ptr<Evictor> evictor_;
};

TEST_F(EvictTest, NothingGoesWhileThereIsRoom) {
  Budget(20);
  for (int i = 0; i < 16; ++i) AddNumbered(i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(index_->CountResults(), 16u);
  EXPECT_EQ(evictor_->evicted(), 0u);
}

TEST_F(EvictTest, BringsTheCacheBelowItsGoal) {
  Budget(20);
  for (int i = 0; i < 40; ++i) AddNumbered(i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_LE(tiles_->bytes(), 20 * kTileBytes * 85 / 100);
  // Not more than asked for either: 70 %, and one result.
  EXPECT_GE(tiles_->count(), 10u);
  EXPECT_EQ(tiles_->count(), index_->CountResults());
  EXPECT_EQ(evictor_->evicted(), 40 - index_->CountResults());
  ExpectWhole();
}

TEST_F(EvictTest, TheCheapestForTheirBytesGoFirst) {
  Budget(20);
  for (int i = 0; i < 20; ++i) AddNumbered(i, 1 + i);
  ASSERT_OK(evictor_->RunOnce());
  const int kept = static_cast<int>(index_->CountResults());
  for (int i = 0; i < 20; ++i) EXPECT_EQ(Has(i), i >= 20 - kept) << i;
}

TEST_F(EvictTest, BytesCountAgainstAResult) {
  Budget(20);
  std::vector<StoredTile> large;
  for (int i = 0; i < 10; ++i) large.push_back(NoiseTile(100 + i, kTileBytes));
  Add(KeyOf("large"), large, 2);
  for (int i = 0; i < 10; ++i) AddNumbered(i, 1);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_FALSE(HasKey(KeyOf("large"))) << "2 s for ten tiles are worth less than 1 s for one";
  for (int i = 0; i < 10; ++i) EXPECT_TRUE(Has(i));
}

TEST_F(EvictTest, UseMakesAResultWorthMore) {
  Budget(20);
  for (int i = 0; i < 20; ++i) AddNumbered(i);
  const std::vector<ResultKey> used{KeyOf(3), KeyOf(11)};
  for (int i = 0; i < 5; ++i) evictor_->NoteUse(used);
  for (int i = 20; i < 60; ++i) AddNumbered(i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_TRUE(Has(3));
  EXPECT_TRUE(Has(11));
}

TEST_F(EvictTest, UsesAreRememberedAcrossARestart) {
  Budget(20);
  for (int i = 0; i < 20; ++i) AddNumbered(i);
  const std::vector<ResultKey> used{KeyOf(3)};
  evictor_->NoteUse(used);
  evictor_->Start();
  evictor_->Stop();
  // The thread may have evicted already; put everything back.
  for (int i = 0; i < 60; ++i) AddNumbered(i);
  Budget(20);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_TRUE(Has(3));
}

TEST_F(EvictTest, PinnedResultsStayHoweverFullItIs) {
  Budget(10);
  for (int i = 0; i < 40; ++i) AddNumbered(i, 40 - i);
  std::vector<ResultKey> pinned;
  for (int i = 20; i < 40; ++i) pinned.push_back(KeyOf(i));
  evictor_->Pin(pinned);
  evictor_->Pin(pinned);
  evictor_->Unpin(pinned);
  ASSERT_OK(evictor_->RunOnce());
  for (int i = 0; i < 40; ++i) EXPECT_EQ(Has(i), i >= 20) << i;
  ExpectWhole();
  evictor_->Unpin(pinned);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_LE(index_->CountResults(), 8u);
}

TEST_F(EvictTest, GivesWayOnlyWhenNothingElseIsLeftAndOnlyAsFarAsItMust) {
  Budget(20);
  for (int i = 0; i < 30; ++i) AddNumbered(i, 30 - i);
  std::vector<ResultKey> held;
  for (int i = 12; i < 30; ++i) held.push_back(KeyOf(i));
  evictor_->Pin(held);
  int asked = 0;
  evictor_->SetGiveWay([&] {
    if (held.empty()) return false;
    ++asked;
    const ResultKey last = held.back();
    held.pop_back();
    evictor_->Unpin({&last, 1});
    return true;
  });
  ASSERT_OK(evictor_->RunOnce());
  // Down to 17 of 20 and not to 14: what is held stays between the two.
  EXPECT_EQ(asked, 1);
  for (int i = 0; i < 30; ++i) EXPECT_EQ(Has(i), i >= 12 && i < 29) << i;
  ExpectWhole();
  for (int i = 40; i < 46; ++i) AddNumbered(i, 1000);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(asked, 1) << "what nobody holds goes first, whatever it is worth";
  EXPECT_TRUE(Has(28));
}

TEST_F(EvictTest, TheCallbackPinsAndSendsFirst) {
  Budget(20);
  for (int i = 0; i < 20; ++i) AddNumbered(i, i < 10 ? 1 : 100);
  evictor_->SetKeep(
      [](const ResultKey& key) {
        if (key == KeyOf(0)) return Keep::kPinned;
        return key == KeyOf(15) ? Keep::kFirstToGo : Keep::kNormal;
      },
      [] {
        return std::vector<ResultKey>{KeyOf("not there yet"), KeyOf(15)};
      });
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_TRUE(Has(0)) << "cheap, but pinned";
  EXPECT_FALSE(Has(15)) << "dear, but sent first";
  EXPECT_TRUE(Has(14));
}

TEST_F(EvictTest, TilesThatOthersNameStay) {
  Budget(20);
  const StoredTile shared = NoiseTile(500, kTileBytes);
  Add(KeyOf("cheap"), {shared, NoiseTile(501, kTileBytes)}, 0.001);
  Add(KeyOf("dear"), {shared}, 1000);
  for (int i = 0; i < 17; ++i) AddNumbered(i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_FALSE(HasKey(KeyOf("cheap")));
  EXPECT_FALSE(HasTile(501));
  EXPECT_TRUE(HasTile(500));
  ExpectWhole();
}

TEST_F(EvictTest, TilesSharedByVictimsOnlyGo) {
  Budget(20);
  const StoredTile shared = NoiseTile(500, kTileBytes);
  Add(KeyOf("a"), {shared}, 0.001);
  Add(KeyOf("b"), {shared}, 0.001);
  for (int i = 0; i < 19; ++i) AddNumbered(i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_FALSE(HasKey(KeyOf("a")));
  EXPECT_FALSE(HasKey(KeyOf("b")));
  EXPECT_FALSE(HasTile(500));
}

TEST_F(EvictTest, PinnedTilesAreSpared) {
  Budget(20);
  for (int i = 0; i < 40; ++i) AddNumbered(i, 1 + i);
  const ScopedTilePins pinned(pins_.get(), {NoiseTile(0, kTileBytes).digest});
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_FALSE(Has(0));
  EXPECT_TRUE(HasTile(0));
  EXPECT_FALSE(HasTile(1));
}

TEST_F(EvictTest, OrphansAreSweptBeforeAnythingIsEvicted) {
  Budget(20);
  for (int i = 0; i < 10; ++i) AddNumbered(i);
  for (int i = 100; i < 110; ++i) {
    const StoredTile t = NoiseTile(i, kTileBytes);
    ASSERT_OK(tiles_->Put({&t, 1}));
  }
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(index_->CountResults(), 10u);
  EXPECT_EQ(tiles_->count(), 10u);
}

TEST_F(EvictTest, GarbageIsGivenBackBeforeAnythingIsEvicted) {
  Budget(20);
  for (int i = 0; i < 10; ++i) AddNumbered(i);
  space_->uncollected = 10 * kTileBytes;
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(index_->CountResults(), 10u);
  EXPECT_EQ(space_->reclaims, 1);
}

TEST_F(EvictTest, ADiskThatOthersFillIsASmallerBudget) {
  Budget(1000);
  for (int i = 0; i < 100; ++i) AddNumbered(i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(index_->CountResults(), 100u);
  space_->disk = 101 * kTileBytes;
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_LE(index_->CountResults(), 85u);
  EXPECT_GE(index_->CountResults(), 60u);
}

TEST_F(EvictTest, ConstantResultsWithoutBytesOutliveTiles) {
  Budget(20);
  for (int i = 0; i < 40; ++i) AddNumbered(i);
  for (int i = 1000; i < 1100; ++i) Add(KeyOf(i), {}, 1);
  ASSERT_OK(evictor_->RunOnce());
  for (int i = 1000; i < 1100; ++i) EXPECT_TRUE(Has(i));
}

TEST_F(EvictTest, WritesAreRefusedAtNinetyFivePercentAndReadsGoOn) {
  Budget(20);
  int taken = 0;
  absl::Status s;
  for (int i = 0; i < 40 && s.ok(); ++i) {
    const StoredTile t = NoiseTile(i, kTileBytes);
    s = bounded_->Put({&t, 1});
    taken += s.ok();
  }
  EXPECT_TRUE(absl::IsResourceExhausted(s)) << s;
  EXPECT_GE(taken, 19);
  EXPECT_LE(taken, 20);
  const StoredTile first = NoiseTile(0, kTileBytes);
  EXPECT_EQ(bounded_->Get({&first.digest, 1}).value()[0], first.data);
  EXPECT_TRUE(bounded_->FindMissing({&first.digest, 1}).value().empty());
  ASSERT_OK(evictor_->RunOnce());
  const StoredTile more = NoiseTile(99, kTileBytes);
  EXPECT_OK(bounded_->Put({&more, 1}));
}

TEST_F(EvictTest, FillingUpWakesIt) {
  Budget(40);
  evictor_ =
      std::make_unique<Evictor>(tiles_, index_, pins_, fill_, space_,
                                EvictorOptions{.budget_bytes = 40 * (kTileBytes + 1), .tick = std::chrono::hours(1)});
  evictor_->Start();
  // More than fit: it must make room meanwhile.
  int taken = 0;
  const auto end = std::chrono::steady_clock::now() + std::chrono::seconds(30);
  while (taken < 400 && std::chrono::steady_clock::now() < end) {
    const StoredTile t = NoiseTile(taken, kTileBytes);
    if (!bounded_->Put({&t, 1}).ok()) {
      std::this_thread::sleep_for(std::chrono::milliseconds(1));
      continue;
    }
    ASSERT_OK(index_->Commit({.results = {{KeyOf(taken), RecordOf({t})}}}).status());
    ++taken;
  }
  evictor_->Stop();
  EXPECT_EQ(taken, 400);
}

// --- Nothing looks at the whole index.

// Bytes of a disk that the results of AddSmall take.
uint64_t SmallBytes(uint64_t results) { return results * kTileBytes; }

TEST_F(EvictTest, LooksAtAFewResultsForEachThatGoes) {
  constexpr int kMany = 20000;
  AddSmall(0, kMany);
  Budget(100);
  // A hundred too many: what eviction is to free.
  space_->others = static_cast<uint64_t>(100 * kTileBytes * 0.7) + SmallBytes(100);
  index_->looked = 0;
  ASSERT_OK(evictor_->RunOnce());
  const uint64_t evicted = kMany - index_->CountResults();
  EXPECT_GE(evicted, 100u);
  EXPECT_LE(index_->looked, 8 * evicted + 1000);
  EXPECT_EQ(index_->scans, 0u);
}

TEST_F(EvictTest, WhatIsPinnedIsLookedAtOnceAndThenSetAside) {
  constexpr int kMany = 10000;
  AddSmall(0, kMany);
  std::vector<ResultKey> all;
  for (int i = 0; i < kMany; ++i) all.push_back(KeyOf(i));
  Budget(100);
  space_->others = SmallBytes(200);
  evictor_->Pin(all);
  ASSERT_OK(evictor_->RunOnce());
  for (int run = 0; run < 3; ++run) {
    index_->looked = 0;
    ASSERT_OK(evictor_->RunOnce());
    EXPECT_LE(index_->looked, 3000u) << "a run's patience, not a look at each";
  }
  EXPECT_EQ(index_->CountResults(), static_cast<uint64_t>(kMany));
  // The pins go one after another: each comes back to its place at once.
  evictor_->Unpin(std::span(all).subspan(0, 10));
  index_->looked = 0;
  ASSERT_OK(evictor_->RunOnce());
  for (int i = 0; i < 20; ++i) EXPECT_EQ(Has(i), i >= 10) << i;
  EXPECT_LE(index_->looked, 6000u);
}

TEST_F(EvictTest, WhatCameBackIsWorthWhatItWas) {
  Budget(20);
  for (int i = 0; i < 20; ++i) AddNumbered(i, i == 7 ? 0.1 : 1 + i);
  const std::vector<ResultKey> cheap{KeyOf(7), KeyOf(0)};
  evictor_->Pin(cheap);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_TRUE(Has(7) && Has(0));
  EXPECT_FALSE(Has(1));
  evictor_->Unpin(cheap);
  for (int i = 20; i < 24; ++i) AddNumbered(i, 100);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_FALSE(Has(7));
  EXPECT_FALSE(Has(0));
  EXPECT_TRUE(Has(19));
}

// By a daemon before this one, or by a wish that was withdrawn: nobody says that the pin went.
TEST_F(EvictTest, WhatWasSetAsideIsFoundAgainWhenNothingElseIsLeft) {
  Budget(10);
  bool wanted = true;
  const auto keep = [&wanted](const ResultKey&) { return wanted ? Keep::kPinned : Keep::kNormal; };
  evictor_->SetKeep(keep, [] { return std::vector<ResultKey>(); });
  for (int i = 0; i < 30; ++i) AddNumbered(i, 1 + i);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(index_->CountResults(), 30u);
  wanted = false;
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_LE(index_->CountResults(), 8u);
  EXPECT_TRUE(Has(29));
  ExpectWhole();

  std::vector<ResultKey> all;
  for (int i = 0; i < 30; ++i) AddNumbered(i, 1 + i), all.push_back(KeyOf(i));
  evictor_->Pin(all);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(index_->CountResults(), 30u);
  Budget(10);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_LE(index_->CountResults(), 8u);
  EXPECT_TRUE(Has(29));
  ExpectWhole();
}

// Places don't know that uses fade; the hand that goes round finds it out.
TEST_F(EvictTest, YesterdaysFavouritesGoWhenTheirUsesHaveFaded) {
  Budget(60);
  for (int i = 0; i < 20; ++i) AddNumbered(i, 1);
  std::vector<ResultKey> favourites;
  for (int i = 0; i < 20; ++i) favourites.push_back(KeyOf(i));
  for (int i = 0; i < 9; ++i) evictor_->NoteUse(favourites);
  for (int i = 20; i < 60; ++i) AddNumbered(i, 3);
  ASSERT_OK(evictor_->RunOnce());
  for (int i = 0; i < 20; ++i) EXPECT_TRUE(Has(i)) << i;
  // Uses of many others, until these count for nothing.
  std::vector<ResultKey> others;
  for (int i = 0; i < 20000; ++i) others.push_back(KeyOf(1000000 + i));
  for (int i = 0; i < 4 * 132; ++i) evictor_->NoteUse(others);
  // A few rounds of the same traffic of results that are worth more.
  for (int i = 100; i < 300; ++i) {
    AddNumbered(i, 4);
    ASSERT_OK(evictor_->RunOnce());
  }
  int left = 0;
  for (int i = 0; i < 20; ++i) left += Has(i);
  EXPECT_EQ(left, 0);
  ExpectWhole();
}

// More orphans than a run looks at: later runs find them, results are safe meanwhile.
TEST_F(EvictTest, OrphansAreSweptInPieces) {
  constexpr int kOrphans = 100000, kSmallTile = 100;
  std::vector<StoredTile> orphans;
  for (int i = 0; i < kOrphans; ++i) orphans.push_back(NoiseTile(1000 + i, kSmallTile));
  ASSERT_OK(tiles_->Put(orphans));
  for (int i = 0; i < 5; ++i) AddNumbered(i);
  Budget(10);
  const uint64_t before = tiles_->count();
  // So that even a run that finds orphans still has something to do.
  space_->others = SmallBytes(1000);
  std::vector<ResultKey> all;
  for (int i = 0; i < 5; ++i) all.push_back(KeyOf(i));
  evictor_->Pin(all);
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_LT(tiles_->count(), before);
  EXPECT_GT(tiles_->count(), 1000u) << "the test has too few orphans";
  ASSERT_OK(evictor_->RunOnce());
  EXPECT_EQ(tiles_->count(), 5u);
  ExpectWhole();
}

// A shot of 100 frames, room for 80, played through again and again, every miss
// rendered anew and stored: least-recently-used would hit nothing at all.
TEST_F(EvictTest, ALoopLargerThanTheCacheKeepsASteadyPart) {
  Budget(80 / 0.85);
  std::mt19937 random(1);
  const auto sweep = [&] {
    int hits = 0;
    for (int frame = 0; frame < 100; ++frame) {
      const ResultKey key = KeyOf(frame);
      if (Has(frame)) {
        ++hits;
        evictor_->NoteUse({&key, 1});
      } else {
        // Rendering time varies by a tenth.
        AddNumbered(frame, 1 + 0.1 * (random() % 100) / 100.0);
        EXPECT_OK(evictor_->RunOnce());
      }
    }
    return hits;
  };
  EXPECT_EQ(sweep(), 0);
  // While the first repetition still makes room for its own misses.
  EXPECT_GE(sweep(), 50);
  // The goal of eviction is 66 frames.
  for (int i = 0; i < 4; ++i) EXPECT_GE(sweep(), 62) << "sweep " << i;
  ExpectWhole();
}

// The hole between "the tiles are there" and "the result names them".
TEST_F(EvictTest, CommitsDuringEvictionAreNeverTorn) {
  Budget(30);
  Committer committer(bounded_, index_, pins_, {.interval = std::chrono::milliseconds(0)});
  std::atomic<bool> stop{false};
  std::thread evicting([&] {
    while (!stop) EXPECT_OK(evictor_->RunOnce());
  });
  int committed = 0, lacking = 0;
  for (int i = 0; i < 2000; ++i) {
    // Few contents, many results: tiles are shared with results about to go.
    std::vector<StoredTile> tiles{NoiseTile(i % 37, kTileBytes), NoiseTile(i % 41, kTileBytes)};
    const auto missing = bounded_->FindMissing(DigestsOf(tiles));
    for (const StoredTile& t : tiles) {
      if (std::find(missing->begin(), missing->end(), t.digest) != missing->end()) {
        if (!bounded_->Put({&t, 1}).ok()) std::this_thread::yield();
      }
    }
    const auto s = committer.Commit({.results = {{KeyOf(i), RecordOf(tiles)}}});
    committed += s.ok();
    lacking += absl::IsFailedPrecondition(s.status());
  }
  stop = true;
  evicting.join();
  EXPECT_EQ(committed + lacking, 2000);
  EXPECT_GT(committed, 200);
  EXPECT_GT(evictor_->evicted(), 100u);
  ExpectWhole();
}

TEST_F(EvictTest, APinBeforeALookHolds) {
  Budget(10);
  std::atomic<bool> stop{false};
  std::thread evicting([&] {
    while (!stop) EXPECT_OK(evictor_->RunOnce());
  });
  int held = 0;
  for (int i = 0; i < 1000; ++i) {
    AddNumbered(i % 50, 1 + i % 7);
    const ResultKey key = KeyOf((i * 7) % 50);
    evictor_->Pin({&key, 1});
    if (HasKey(key)) {
      ++held;
      for (int k = 0; k < 3; ++k) {
        std::this_thread::yield();
        ASSERT_TRUE(HasKey(key));
      }
    }
    evictor_->Unpin({&key, 1});
  }
  stop = true;
  evicting.join();
  EXPECT_GT(held, 50);
}

// Bytes really come back from the disk, and the budget holds.
TEST(EvictOnDisk, StaysWithinItsBudget) {
  TempFolder folder;
  constexpr uint64_t kBudget = 64 << 20;
  auto cache = OpenCache(folder.path(), {.cache_bytes = kBudget});
  ASSERT_OK(cache.status());
  uint64_t most = 0;
  int made = 0;
  for (int i = 0; i < 160; ++i) {
    std::vector<StoredTile> tiles;
    for (int k = 0; k < 10; ++k) tiles.push_back(NoiseTile(10 * i + k, 100000));
    absl::Status s = cache->tiles->Put(tiles);
    if (absl::IsResourceExhausted(s)) {
      ASSERT_OK(cache->evictor->RunOnce());
      s = cache->tiles->Put(tiles);
    }
    ASSERT_OK(s);
    ASSERT_OK(cache->committer->Commit({.results = {{KeyOf(i), RecordOf(tiles)}}}).status());
    ++made;
    if (i % 5 == 0) ASSERT_OK(cache->evictor->RunOnce());
    most = std::max(most, cache->stats().bytes);
  }
  EXPECT_EQ(made, 160);
  EXPECT_GT(cache->evictor->evicted(), 80u);
  EXPECT_LE(most, kBudget);
  int whole = 0;
  ASSERT_OK(cache->index->ScanResults([&](const ResultKey&, const ResultRecord& r) {
    const auto found = cache->tiles->Get(StoredDigests(r.manifest));
    ASSERT_OK(found.status());
    for (const auto& tile : *found) ASSERT_TRUE(tile);
    ++whole;
  }));
  // A budget of 64 results of 1 MB is not left half empty.
  EXPECT_GE(whole, 25);
}

}  // namespace
}  // namespace selvage
