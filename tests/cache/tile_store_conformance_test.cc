// What every TileStore must do. A new engine: one line in kEngines.
#include <atomic>
#include <map>
#include <memory>
#include <thread>

#include "cache/bounded_tile_store.h"
#include "cache/lru_tile_store.h"
#include "cache/memory_tile_store.h"
#include "cache/read_through_tile_store.h"
#include "cache/rocks_tile_store.h"
#include "cache/verifying_tile_store.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

std::shared_ptr<TileStore> OpenRocks(const std::string& folder) {
  auto store = RocksTileStore::Open(folder, {.write_buffer_bytes = 1 << 20, .blob_file_bytes = 1 << 20});
  if (!store.ok()) {
    ADD_FAILURE() << store.status();
    return nullptr;
  }
  return *std::move(store);
}

struct EngineCase {
  const char* name;
  std::shared_ptr<TileStore> (*open)(const std::string& folder);
  bool lists = true;
  // Engines do, what stands before them need not.
  bool lists_in_order = false;
};

const EngineCase kEngines[] = {
    {"Memory", [](const std::string&) -> std::shared_ptr<TileStore> { return std::make_shared<MemoryTileStore>(); },
     true, true},
    {"Lru", [](const std::string&) -> std::shared_ptr<TileStore> { return std::make_shared<LruTileStore>(64 << 20); },
     false},
    {"VerifyingMemory",
     [](const std::string&) -> std::shared_ptr<TileStore> {
       return std::make_shared<VerifyingTileStore>(std::make_shared<MemoryTileStore>());
     }},
    {"ReadThrough",
     [](const std::string&) -> std::shared_ptr<TileStore> {
       return std::make_shared<ReadThroughTileStore>(std::make_shared<LruTileStore>(60000),
                                                     std::make_shared<MemoryTileStore>());
     }},
    {"Bounded",
     [](const std::string&) -> std::shared_ptr<TileStore> {
       return std::make_shared<BoundedTileStore>(std::make_shared<MemoryTileStore>(), std::make_shared<Fill>(),
                                                 std::make_shared<TilePins>());
     }},
};

// These keep tiles across a restart, too.
const EngineCase kDurableEngines[] = {
    {"Rocks", [](const std::string& folder) { return OpenRocks(folder); }, true, true},
    {"VerifyingRocks",
     [](const std::string& folder) -> std::shared_ptr<TileStore> {
       return std::make_shared<VerifyingTileStore>(OpenRocks(folder));
     }},
};

class TileStoreLaws : public testing::TestWithParam<EngineCase> {
 protected:
  void SetUp() override { Reopen(); }
  void Reopen() {
    store_.reset();
    store_ = GetParam().open(folder_.path());
    ASSERT_NE(store_, nullptr);
  }
  std::optional<std::string> GetOne(const Digest& d) {
    const auto found = store_->Get({&d, 1});
    EXPECT_OK(found.status());
    return found.ok() ? (*found)[0] : std::nullopt;
  }

  TempFolder folder_;
  std::shared_ptr<TileStore> store_;
};

TEST_P(TileStoreLaws, WhatWasPutComesBackInTheOrderAskedFor) {
  // Below and above the size that goes to a blob file.
  const std::vector<StoredTile> tiles{NoiseTile(1, 10), NoiseTile(2), NoiseTile(3, 131072), NoiseTile(4, 1 << 20)};
  ASSERT_OK(store_->Put(tiles));
  const std::vector<Digest> asked{tiles[2].digest, Sha256("nobody has this"), tiles[0].digest,
                                  tiles[3].digest, tiles[1].digest,           tiles[2].digest};
  const auto found = store_->Get(asked);
  ASSERT_OK(found.status());
  ASSERT_EQ(found->size(), asked.size());
  EXPECT_EQ((*found)[0], tiles[2].data);
  EXPECT_EQ((*found)[1], std::nullopt);
  EXPECT_EQ((*found)[2], tiles[0].data);
  EXPECT_EQ((*found)[3], tiles[3].data);
  EXPECT_EQ((*found)[4], tiles[1].data);
  EXPECT_EQ((*found)[5], tiles[2].data);
}

TEST_P(TileStoreLaws, NothingAskedNothingAnswered) {
  EXPECT_OK(store_->Put({}));
  EXPECT_OK(store_->Delete({}));
  const auto found = store_->Get({});
  ASSERT_OK(found.status());
  EXPECT_TRUE(found->empty());
  const auto missing = store_->FindMissing({});
  ASSERT_OK(missing.status());
  EXPECT_TRUE(missing->empty());
}

TEST_P(TileStoreLaws, MissingAreThoseNeverPut) {
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  ASSERT_OK(store_->Put(tiles));
  const std::vector<Digest> asked{Sha256("a"), tiles[0].digest, Sha256("b"), tiles[1].digest};
  const auto missing = store_->FindMissing(asked);
  ASSERT_OK(missing.status());
  EXPECT_EQ(*missing, (std::vector<Digest>{Sha256("a"), Sha256("b")}));
}

TEST_P(TileStoreLaws, RepeatingIsHarmless) {
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(1)};
  ASSERT_OK(store_->Put(tiles));
  ASSERT_OK(store_->Put(tiles));
  EXPECT_EQ(GetOne(tiles[0].digest), tiles[0].data);
  const std::vector<Digest> twice{tiles[0].digest, tiles[0].digest};
  ASSERT_OK(store_->Delete(twice));
  ASSERT_OK(store_->Delete(twice));
  EXPECT_EQ(GetOne(tiles[0].digest), std::nullopt);
}

TEST_P(TileStoreLaws, DeletedIsMissingAndCanBePutAgain) {
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  ASSERT_OK(store_->Put(tiles));
  ASSERT_OK(store_->Delete({&tiles[0].digest, 1}));
  EXPECT_EQ(GetOne(tiles[0].digest), std::nullopt);
  EXPECT_EQ(GetOne(tiles[1].digest), tiles[1].data);
  const auto missing = store_->FindMissing(DigestsOf(tiles));
  ASSERT_OK(missing.status());
  EXPECT_EQ(*missing, std::vector<Digest>{tiles[0].digest});
  ASSERT_OK(store_->Put(tiles));
  EXPECT_EQ(GetOne(tiles[0].digest), tiles[0].data);
}

TEST_P(TileStoreLaws, ScanListsWhatIsHeld) {
  if (!GetParam().lists) {
    EXPECT_TRUE(absl::IsUnimplemented(store_->Scan([](const Digest&, uint64_t) {})));
    return;
  }
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 20; ++i) tiles.push_back(NoiseTile(i, 100 + 1000 * i));
  ASSERT_OK(store_->Put(tiles));
  ASSERT_OK(store_->Delete({&tiles[7].digest, 1}));
  std::map<Digest, uint64_t> seen, expected;
  ASSERT_OK(store_->Scan([&](const Digest& d, uint64_t bytes) { EXPECT_TRUE(seen.emplace(d, bytes).second); }));
  for (int i = 0; i < 20; ++i) {
    if (i != 7) expected[tiles[i].digest] = tiles[i].data.size();
  }
  EXPECT_EQ(seen, expected);
}

TEST_P(TileStoreLaws, ListGoesOnAfterADigest) {
  if (!GetParam().lists_in_order) {
    EXPECT_TRUE(absl::IsUnimplemented(store_->List({}, 1).status()));
    return;
  }
  EXPECT_TRUE(store_->List({}, 5).value().empty());
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 20; ++i) tiles.push_back(NoiseTile(i, 100 + 1000 * i));
  ASSERT_OK(store_->Put(tiles));
  ASSERT_OK(store_->Delete({&tiles[7].digest, 1}));
  std::vector<Digest> expected;
  for (int i = 0; i < 20; ++i) {
    if (i != 7) expected.push_back(tiles[i].digest);
  }
  std::sort(expected.begin(), expected.end());
  for (const size_t count : {1, 4, 19, 100}) {
    std::vector<Digest> listed;
    for (Digest after;;) {
      const auto some = store_->List(after, count);
      ASSERT_OK(some.status());
      EXPECT_LE(some->size(), count);
      if (some->empty()) break;
      listed.insert(listed.end(), some->begin(), some->end());
      after = listed.back();
    }
    EXPECT_EQ(listed, expected) << count;
  }
}

TEST_P(TileStoreLaws, ManyThreadsAtOnce) {
  std::atomic<int> wrong{0};
  std::vector<std::thread> threads;
  for (int t = 0; t < 4; ++t) {
    threads.emplace_back([&, t] {
      for (int i = 0; i < 50; ++i) {
        // One that only this thread has, and deletes; one that all have.
        const std::vector<StoredTile> tiles{NoiseTile(1000 * (t + 1) + i, 3000), NoiseTile(i, 3000)};
        if (!store_->Put(tiles).ok() || !store_->MakeDurable().ok()) ++wrong;
        const auto found = store_->Get(DigestsOf(tiles));
        if (!found.ok() || (*found)[0] != tiles[0].data || (*found)[1] != tiles[1].data) ++wrong;
        if (!store_->Delete({&tiles[0].digest, 1}).ok()) ++wrong;
      }
    });
  }
  for (std::thread& t : threads) t.join();
  EXPECT_EQ(wrong, 0);
}

class DurableTileStoreLaws : public TileStoreLaws {};

TEST_P(DurableTileStoreLaws, DurableTilesSurviveReopening) {
  std::vector<StoredTile> tiles;
  // Several write buffers' worth.
  for (int i = 0; i < 200; ++i) tiles.push_back(NoiseTile(i, 30000));
  ASSERT_OK(store_->Put(tiles));
  ASSERT_OK(store_->MakeDurable());
  ASSERT_OK(store_->Delete({&tiles[3].digest, 1}));
  Reopen();
  const auto found = store_->Get(DigestsOf(tiles));
  ASSERT_OK(found.status());
  for (size_t i = 0; i < tiles.size(); ++i) {
    if (i == 3) continue;  // a deletion that is lost in a crash is harmless
    EXPECT_TRUE((*found)[i] == tiles[i].data) << i;
  }
}

INSTANTIATE_TEST_SUITE_P(InMemory, TileStoreLaws, testing::ValuesIn(kEngines),
                         [](const auto& info) { return info.param.name; });
INSTANTIATE_TEST_SUITE_P(OnDisk, TileStoreLaws, testing::ValuesIn(kDurableEngines),
                         [](const auto& info) { return info.param.name; });
INSTANTIATE_TEST_SUITE_P(OnDisk, DurableTileStoreLaws, testing::ValuesIn(kDurableEngines),
                         [](const auto& info) { return info.param.name; });

}  // namespace
}  // namespace selvage
