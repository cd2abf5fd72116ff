#include "cache/committer.h"

#include <algorithm>
#include <atomic>
#include <future>

#include "cache/memory_result_index.h"
#include "cache/memory_tile_store.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

// The order of what happens in the stores.
struct Log {
  std::mutex mutex;
  std::vector<std::string> lines;
  void Add(const std::string& line) {
    std::lock_guard lock(mutex);
    lines.push_back(line);
  }
};

class LoggingTiles final : public TileStore {
 public:
  explicit LoggingTiles(Log* log) : log_(log) {}
  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> d) override {
    return store.Get(d);
  }
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> d) override { return store.FindMissing(d); }
  absl::Status Put(std::span<const StoredTile> t) override { return store.Put(t); }
  absl::Status MakeDurable() override {
    log_->Add("durable");
    return durable;
  }
  absl::Status Delete(std::span<const Digest> d) override { return store.Delete(d); }

  MemoryTileStore store;
  absl::Status durable;

 private:
  Log* const log_;
};

// Holds its first commit back until told to go on, so that a group gathers
// behind it without any sleeping.
class GatedIndex final : public ResultIndex {
 public:
  explicit GatedIndex(Log* log) : log_(log) {}
  absl::StatusOr<std::vector<std::optional<ResultRecord>>> Find(std::span<const ResultKey> k) override {
    return index.Find(k);
  }
  absl::StatusOr<std::optional<ResultKey>> FindTrace(const Digest& t) override { return index.FindTrace(t); }
  absl::StatusOr<std::vector<NameRecord>> FindNames(const std::string& s, const std::string& p) override {
    return index.FindNames(s, p);
  }
  absl::StatusOr<std::vector<std::optional<NameRecord>>> FindNamesAt(std::span<const NameRecord> p) override {
    return index.FindNamesAt(p);
  }
  absl::StatusOr<std::vector<std::string>> ListStacks() override { return index.ListStacks(); }
  absl::StatusOr<std::vector<ResultKey>> FindMadeBy(const std::string& w, int64_t since) override {
    return index.FindMadeBy(w, since);
  }
  absl::StatusOr<std::optional<std::string>> FindValue(const std::string& n) override { return index.FindValue(n); }
  absl::StatusOr<std::vector<std::pair<std::string, std::string>>> ListValues(const std::string& p) override {
    return index.ListValues(p);
  }
  absl::Status ReadJournal(uint64_t from, const std::function<void(const JournalEntry&)>& v) override {
    return index.ReadJournal(from, v);
  }
  absl::StatusOr<uint64_t> Commit(const IndexBatch& batch) override {
    if (!entered_.exchange(true)) {
      entered.set_value();
      gate.get_future().wait();
    }
    log_->Add("commit");
    if (!status.ok()) return status;
    return index.Commit(batch);
  }
  absl::StatusOr<std::vector<WorthPlace>> ListPlaces(const WorthPlace& after, size_t count) override {
    return index.ListPlaces(after, count);
  }
  absl::StatusOr<std::vector<Digest>> FindUnnamed(std::span<const Digest> t) override { return index.FindUnnamed(t); }
  absl::Status ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& v) override {
    return index.ScanResults(v);
  }
  uint64_t CountResults() override { return index.CountResults(); }

  MemoryResultIndex index;
  absl::Status status;
  std::promise<void> entered, gate;

 private:
  Log* const log_;
  std::atomic<bool> entered_{false};
};

class CommitterTest : public testing::Test {
 protected:
  // Occupies the committer's thread inside the index.
  void Block() {
    committer_->Add({.values = {{"first", "1"}}}, [](auto) {});
    index_->entered.get_future().wait();
  }
  void Release() { index_->gate.set_value(); }
  std::future<absl::StatusOr<uint64_t>> Add(IndexBatch batch) {
    auto promise = std::make_shared<std::promise<absl::StatusOr<uint64_t>>>();
    auto future = promise->get_future();
    committer_->Add(std::move(batch), [promise](absl::StatusOr<uint64_t> r) { promise->set_value(std::move(r)); });
    return future;
  }

  Log log_;
  std::shared_ptr<LoggingTiles> tiles_ = std::make_shared<LoggingTiles>(&log_);
  std::shared_ptr<GatedIndex> index_ = std::make_shared<GatedIndex>(&log_);
  std::shared_ptr<TilePins> pins_ = std::make_shared<TilePins>();
  std::unique_ptr<Committer> committer_ =
      std::make_unique<Committer>(tiles_, index_, pins_, CommitterOptions{.interval = std::chrono::milliseconds(1)});
};

TEST_F(CommitterTest, BytesAreDurableBeforeTheIndexNamesThem) {
  Release();
  const std::vector<StoredTile> tiles{NoiseTile(1)};
  ASSERT_OK(tiles_->Put(tiles));
  ASSERT_OK(committer_->Commit({.results = {{KeyOf(1), RecordOf(tiles)}}}).status());
  EXPECT_EQ(log_.lines, (std::vector<std::string>{"durable", "commit"}));
}

TEST_F(CommitterTest, WhatGathersIsCommittedOnceAndEachKnowsItsNumber) {
  Block();
  std::vector<std::future<absl::StatusOr<uint64_t>>> futures;
  for (int i = 0; i < 10; ++i) {
    IndexBatch batch;
    for (int k = 0; k < i % 3; ++k) batch.journal.emplace_back(JournalType::kInvalidated, std::to_string(i));
    futures.push_back(Add(std::move(batch)));
  }
  Release();
  uint64_t expected = 0;
  for (int i = 0; i < 10; ++i) {
    expected += i % 3;
    const auto sequence = futures[i].get();
    ASSERT_OK(sequence.status());
    EXPECT_EQ(*sequence, expected) << i;
  }
  EXPECT_EQ(std::count(log_.lines.begin(), log_.lines.end(), "commit"), 2) << "the first, and one for the ten";
}

TEST_F(CommitterTest, AResultWithoutItsTilesIsRefusedAloneAndNotIndexed) {
  Block();
  const std::vector<StoredTile> here{NoiseTile(1)}, absent{NoiseTile(2)};
  ASSERT_OK(tiles_->Put(here));
  auto good = Add({.results = {{KeyOf(1), RecordOf(here)}}});
  auto bad = Add({.results = {{KeyOf(2), RecordOf(absent)}}});
  Release();
  EXPECT_OK(good.get().status());
  EXPECT_TRUE(absl::IsFailedPrecondition(bad.get().status()));
  const std::vector<ResultKey> keys{KeyOf(1), KeyOf(2)};
  const auto found = index_->Find(keys);
  EXPECT_TRUE((*found)[0]);
  EXPECT_FALSE((*found)[1]);
}

TEST_F(CommitterTest, AFullDiskIsEverybodysAnswerAndNothingIsIndexed) {
  Release();
  tiles_->durable = absl::ResourceExhaustedError("full");
  auto a = Add({.values = {{"a", "1"}}}), b = Add({.values = {{"b", "1"}}});
  EXPECT_TRUE(absl::IsResourceExhausted(a.get().status()));
  EXPECT_TRUE(absl::IsResourceExhausted(b.get().status()));
  EXPECT_EQ(std::count(log_.lines.begin(), log_.lines.end(), "commit"), 0);
}

TEST_F(CommitterTest, AFailingIndexIsEverybodysAnswer) {
  Block();
  auto a = Add({.values = {{"a", "1"}}}), b = Add({.values = {{"b", "1"}}});
  index_->status = absl::ResourceExhaustedError("full");
  Release();
  EXPECT_TRUE(absl::IsResourceExhausted(a.get().status()));
  EXPECT_TRUE(absl::IsResourceExhausted(b.get().status()));
}

TEST_F(CommitterTest, AMalformedPartHurtsNobodyElse) {
  Block();
  auto good = Add({.values = {{"a", "1"}}});
  auto bad = Add({.names = {{.stack = std::string("x\0y", 3)}}});
  Release();
  EXPECT_OK(good.get().status());
  EXPECT_TRUE(absl::IsInvalidArgument(bad.get().status()));
  EXPECT_EQ(index_->FindValue("a").value(), "1");
}

TEST_F(CommitterTest, ForgettingSeesWhatWasHandedInBefore) {
  Block();
  auto made = Add({.results = {{KeyOf(1), RecordOf({})}}});
  auto gone = Add({.forget = {KeyOf(1)}});
  auto again = Add({.results = {{KeyOf(2), RecordOf({})}}});
  Release();
  EXPECT_OK(made.get().status());
  EXPECT_OK(gone.get().status());
  EXPECT_OK(again.get().status());
  const std::vector<ResultKey> keys{KeyOf(1), KeyOf(2)};
  const auto found = index_->Find(keys);
  EXPECT_FALSE((*found)[0]);
  EXPECT_TRUE((*found)[1]);
}

TEST_F(CommitterTest, DrainsWhenItGoes) {
  Block();
  std::atomic<int> called{0};
  for (int i = 0; i < 20; ++i) {
    IndexBatch batch{.values = {{"v" + std::to_string(i), "x"}}};
    if (i % 5 == 0) batch.forget.push_back(KeyOf(i));
    committer_->Add(std::move(batch), [&](auto r) { called += r.ok(); });
  }
  Release();
  committer_.reset();
  EXPECT_EQ(called, 20);
  EXPECT_EQ(index_->ListValues("v").value().size(), 20u);
}

TEST_F(CommitterTest, ManyThreadsGetDistinctNumbers) {
  Release();
  std::mutex mutex;
  std::vector<uint64_t> numbers;
  std::vector<std::thread> threads;
  for (int t = 0; t < 4; ++t) {
    threads.emplace_back([&] {
      for (int i = 0; i < 20; ++i) {
        const auto n = committer_->Commit({.journal = {{JournalType::kJobFinished, "x"}}});
        std::lock_guard lock(mutex);
        numbers.push_back(n.value_or(0));
      }
    });
  }
  for (std::thread& t : threads) t.join();
  std::sort(numbers.begin(), numbers.end());
  for (size_t i = 0; i < numbers.size(); ++i) ASSERT_EQ(numbers[i], i + 1);
}

}  // namespace
}  // namespace selvage
