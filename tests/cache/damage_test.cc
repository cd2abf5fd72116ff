// Promise 5: a hit always has its bytes, verified; anything else is a miss.
#include <fstream>
#include <random>

#include "cache/lru_tile_store.h"
#include "cache/memory_tile_store.h"
#include "cache/read_through_tile_store.h"
#include "cache/rocks_tile_store.h"
#include "cache/verifying_tile_store.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

TEST(Verifying, AFlippedBitIsAMissCountedAndRepairable) {
  const auto below = std::make_shared<MemoryTileStore>();
  VerifyingTileStore store(below);
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  StoredTile damaged = tiles[0];
  damaged.data[500] ^= 4;
  ASSERT_OK(below->Put({&damaged, 1}));
  ASSERT_OK(below->Put({&tiles[1], 1}));

  auto found = store.Get(DigestsOf(tiles));
  ASSERT_OK(found.status());
  EXPECT_EQ((*found)[0], std::nullopt);
  EXPECT_EQ((*found)[1], tiles[1].data);
  EXPECT_EQ(store.damaged(), 1u);

  // A new rendering is not taken for a repetition.
  const auto missing = store.FindMissing(DigestsOf(tiles));
  ASSERT_OK(missing.status());
  EXPECT_EQ(*missing, std::vector<Digest>{tiles[0].digest});
  ASSERT_OK(store.Put(tiles));
  found = store.Get(DigestsOf(tiles));
  ASSERT_OK(found.status());
  EXPECT_EQ((*found)[0], tiles[0].data);
}

TEST(Verifying, ForgedTilesAreRefusedAndNothingStored) {
  const auto below = std::make_shared<MemoryTileStore>();
  VerifyingTileStore store(below);
  std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  tiles[1].data = NoiseTile(3).data;
  EXPECT_TRUE(absl::IsInvalidArgument(store.Put(tiles)));
  tiles[1].data.clear();
  EXPECT_TRUE(absl::IsInvalidArgument(store.Put(tiles)));
  EXPECT_EQ(below->count(), 0u);
}

TEST(Verifying, ATruncatedTileIsAMiss) {
  const auto below = std::make_shared<MemoryTileStore>();
  VerifyingTileStore store(below);
  StoredTile tile = NoiseTile(1);
  tile.data.resize(tile.data.size() / 2);
  ASSERT_OK(below->Put({&tile, 1}));
  EXPECT_EQ(store.Get({&tile.digest, 1}).value()[0], std::nullopt);
}

// Bits flipped in the files while the daemon is down: no bad bytes come out, and
// what was not hit is still there.
TEST(Verifying, BitsFlippedInBlobFilesAreMisses) {
  TempFolder folder;
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 200; ++i) tiles.push_back(NoiseTile(i, 30000));
  const RocksTileStoreOptions options{.write_buffer_bytes = 1 << 20, .blob_file_bytes = 1 << 20};
  {
    auto store = RocksTileStore::Open(folder.path(), options);
    ASSERT_OK(store.status());
    ASSERT_OK((*store)->Put(tiles));
    ASSERT_OK((*store)->Reclaim());
  }
  std::mt19937 random(5);
  int flipped = 0;
  for (const auto& entry : std::filesystem::directory_iterator(folder.path())) {
    if (entry.path().extension() != ".blob") continue;
    std::fstream file(entry.path(), std::ios::in | std::ios::out | std::ios::binary);
    for (int i = 0; i < 10; ++i) {
      // Not the first and last bytes: a file without a header is no blob file.
      const auto where = 1000 + random() % (entry.file_size() - 2000);
      file.seekg(where);
      const char byte = static_cast<char>(file.get() ^ (1 << random() % 8));
      file.seekp(where);
      file.put(byte);
      ++flipped;
    }
  }
  ASSERT_GT(flipped, 20);
  auto rocks = RocksTileStore::Open(folder.path(), options);
  ASSERT_OK(rocks.status());
  VerifyingTileStore store(*std::move(rocks));
  int lost = 0;
  for (const StoredTile& t : tiles) {
    const auto found = store.Get({&t.digest, 1});
    ASSERT_OK(found.status());
    if ((*found)[0]) {
      ASSERT_EQ(*(*found)[0], t.data);
    } else {
      ++lost;
    }
  }
  EXPECT_GT(lost, 0);
  EXPECT_LE(lost, flipped);
  ASSERT_OK(store.Put(tiles));
  const auto all = store.Get(DigestsOf(tiles));
  ASSERT_OK(all.status());
  for (size_t i = 0; i < tiles.size(); ++i) EXPECT_EQ((*all)[i], tiles[i].data) << i;
}

// Files of tiles deleted, cut short, emptied: what lay in them is missing, is
// counted, and can be put again, also after the space was given back.
TEST(Verifying, BlobFilesThatAreGoneOrCutShortAreMisses) {
  TempFolder folder;
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 200; ++i) tiles.push_back(NoiseTile(i, 30000));
  const RocksTileStoreOptions options{.write_buffer_bytes = 1 << 20, .blob_file_bytes = 1 << 20};
  {
    auto store = RocksTileStore::Open(folder.path(), options);
    ASSERT_OK(store.status());
    ASSERT_OK((*store)->Put(tiles));
    ASSERT_OK((*store)->Reclaim());
  }
  std::vector<std::filesystem::path> blobs;
  for (const auto& entry : std::filesystem::directory_iterator(folder.path())) {
    if (entry.path().extension() == ".blob") blobs.push_back(entry.path());
  }
  std::sort(blobs.begin(), blobs.end());
  ASSERT_GE(blobs.size(), 4u);
  std::filesystem::remove(blobs[0]);
  std::filesystem::resize_file(blobs[1], std::filesystem::file_size(blobs[1]) / 2);
  std::filesystem::resize_file(blobs[2], 0);

  auto rocks = RocksTileStore::Open(folder.path(), options);
  ASSERT_OK(rocks.status());
  const std::shared_ptr<RocksTileStore> below = *std::move(rocks);
  VerifyingTileStore store(below);
  uint64_t lost = 0;
  for (const StoredTile& t : tiles) {
    const auto found = store.Get({&t.digest, 1});
    ASSERT_OK(found.status());
    if ((*found)[0]) {
      ASSERT_EQ(*(*found)[0], t.data);
    } else {
      ++lost;
    }
  }
  EXPECT_GT(lost, 50u);
  EXPECT_LT(lost, 200u);
  EXPECT_EQ(store.damaged(), lost);
  const auto missing = store.FindMissing(DigestsOf(tiles));
  ASSERT_OK(missing.status());
  EXPECT_EQ(missing->size(), lost) << "else a new rendering would be taken for a repetition";

  ASSERT_OK(store.Put(tiles));
  // The files that are rewritten now are the damaged ones.
  for (int i = 0; i < 3; ++i) ASSERT_OK(below->Reclaim());
  const auto all = store.Get(DigestsOf(tiles));
  ASSERT_OK(all.status());
  for (size_t i = 0; i < tiles.size(); ++i) EXPECT_EQ((*all)[i], tiles[i].data) << i;
  ASSERT_OK(store.Put({&tiles[0], 1}));
}

// Giving space back reads tiles that nobody asked for, hence damage that nobody
// has seen yet.
TEST(Verifying, ReclaimingOverUnseenDamageLeavesAStoreThatTakesTiles) {
  TempFolder folder;
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 200; ++i) tiles.push_back(NoiseTile(i, 30000));
  const RocksTileStoreOptions options{.write_buffer_bytes = 1 << 20, .blob_file_bytes = 1 << 20};
  {
    auto store = RocksTileStore::Open(folder.path(), options);
    ASSERT_OK(store.status());
    ASSERT_OK((*store)->Put(tiles));
    ASSERT_OK((*store)->Reclaim());
  }
  std::vector<std::filesystem::path> blobs;
  for (const auto& entry : std::filesystem::directory_iterator(folder.path())) {
    if (entry.path().extension() == ".blob") blobs.push_back(entry.path());
  }
  std::sort(blobs.begin(), blobs.end());
  std::filesystem::remove(blobs[0]);
  std::filesystem::resize_file(blobs[1], 5000);
  auto rocks = RocksTileStore::Open(folder.path(), options);
  ASSERT_OK(rocks.status());
  const std::shared_ptr<RocksTileStore> below = *std::move(rocks);
  VerifyingTileStore store(below);
  (void)below->Reclaim();
  // 20 MB: through several memtables and their files.
  std::vector<StoredTile> more;
  for (int i = 0; i < 700; ++i) more.push_back(NoiseTile(10000 + i, 30000));
  ASSERT_OK(store.Put(more));
  ASSERT_OK(store.MakeDurable());
  for (const std::vector<StoredTile>* some : {&tiles, &more}) {
    ASSERT_OK(store.Get(DigestsOf(*some)).status());
    ASSERT_OK(store.Put(*some));
    const auto all = store.Get(DigestsOf(*some));
    ASSERT_OK(all.status());
    for (size_t i = 0; i < some->size(); ++i) ASSERT_EQ((*all)[i], (*some)[i].data) << i;
  }
  EXPECT_GT(store.damaged() + below->CountUnreadable(), 0u);
  // What was damaged is known now, and no longer in the way.
  EXPECT_OK(below->Reclaim());
}

TEST(Lru, NeverHoldsMoreThanItsCapacity) {
  LruTileStore store(100000);
  for (int i = 0; i < 50; ++i) {
    const StoredTile t = NoiseTile(i, 1 + 977 * i);
    ASSERT_OK(store.Put({&t, 1}));
    ASSERT_LE(store.bytes(), 100000u);
  }
  const StoredTile huge = NoiseTile(1, 200000);
  ASSERT_OK(store.Put({&huge, 1}));
  EXPECT_EQ(store.Get({&huge.digest, 1}).value()[0], std::nullopt);
}

TEST(Lru, ForgetsTheLeastRecentlyUsed) {
  LruTileStore store(65000);
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2), NoiseTile(3), NoiseTile(4)};
  ASSERT_OK(store.Put(std::span(tiles).first(3)));
  ASSERT_OK(store.Get({&tiles[0].digest, 1}).status());
  ASSERT_OK(store.Put(std::span(tiles).last(1)));
  EXPECT_EQ(store.FindMissing(DigestsOf(tiles)).value(), std::vector<Digest>{tiles[1].digest});
}

// Counts, and can be told to fail.
class Probe final : public TileStore {
 public:
  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override {
    asked += digests.size();
    if (!status.ok()) return status;
    return store.Get(digests);
  }
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override {
    if (!status.ok()) return status;
    return store.FindMissing(digests);
  }
  absl::Status Put(std::span<const StoredTile> tiles) override { return status.ok() ? store.Put(tiles) : status; }
  absl::Status MakeDurable() override { return status; }
  absl::Status Delete(std::span<const Digest> digests) override { return status.ok() ? store.Delete(digests) : status; }

  MemoryTileStore store;
  absl::Status status;
  size_t asked = 0;
};

TEST(ReadThrough, ASecondReadDoesNotReachTheBack) {
  const auto front = std::make_shared<Probe>(), back = std::make_shared<Probe>();
  ReadThroughTileStore store(front, back);
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  ASSERT_OK(back->Put(tiles));
  ASSERT_OK(store.Get(DigestsOf(tiles)).status());
  EXPECT_EQ(back->asked, 2u);
  EXPECT_EQ(store.Get(DigestsOf(tiles)).value()[1], tiles[1].data);
  EXPECT_EQ(back->asked, 2u);
}

TEST(ReadThrough, WhatTheBackLacksIsMissingWhateverTheFrontHolds) {
  const auto front = std::make_shared<Probe>(), back = std::make_shared<Probe>();
  ReadThroughTileStore store(front, back);
  const StoredTile tile = NoiseTile(1);
  ASSERT_OK(store.Put({&tile, 1}));
  ASSERT_OK(back->Delete({&tile.digest, 1}));
  EXPECT_EQ(store.FindMissing({&tile.digest, 1}).value().size(), 1u);
}

TEST(ReadThrough, AFailingFrontIsNobodysFailureAndAFailingBackIs) {
  const auto front = std::make_shared<Probe>(), back = std::make_shared<Probe>();
  ReadThroughTileStore store(front, back);
  const StoredTile tile = NoiseTile(1), other = NoiseTile(2);
  front->status = absl::ResourceExhaustedError("front");
  ASSERT_OK(store.Put({&tile, 1}));
  EXPECT_EQ(store.Get({&tile.digest, 1}).value()[0], tile.data);
  front->status = absl::OkStatus();
  back->status = absl::UnavailableError("back");
  EXPECT_TRUE(absl::IsUnavailable(store.Put({&other, 1})));
  EXPECT_EQ(front->store.count(), 0u) << "kept in front what the back refused";
  EXPECT_TRUE(absl::IsUnavailable(store.Get({&other.digest, 1}).status()));
}

}  // namespace
}  // namespace selvage
