// Caches that an older version wrote.
#include <fstream>
#include <memory>

#include "cache/format.h"
#include "cache/open.h"
#include "rocksdb/db.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

// Takes from a closed cache what the older version did not write.
void MakeOld(const std::string& state) {
  const std::string folder = state + "/index";
  std::vector<std::string> names;
  ASSERT_TRUE(rocksdb::DB::ListColumnFamilies(rocksdb::DBOptions(), folder, &names).ok());
  std::vector<rocksdb::ColumnFamilyDescriptor> families;
  for (const std::string& name : names) families.emplace_back(name, rocksdb::ColumnFamilyOptions());
  std::vector<rocksdb::ColumnFamilyHandle*> handles;
  rocksdb::DB* opened = nullptr;
  ASSERT_TRUE(rocksdb::DB::Open(rocksdb::DBOptions(), folder, families, &handles, &opened).ok());
  const std::unique_ptr<rocksdb::DB> db(opened);
  int dropped = 0;
  for (rocksdb::ColumnFamilyHandle* h : handles) {
    if (h->GetName() != format::kNamedByFamily && h->GetName() != format::kWorthFamily) continue;
    ASSERT_TRUE(db->DropColumnFamily(h).ok());
    ++dropped;
  }
  EXPECT_EQ(dropped, 2);
  ASSERT_TRUE(db->Delete(rocksdb::WriteOptions(), format::kFiledKey).ok());
  for (rocksdb::ColumnFamilyHandle* h : handles) ASSERT_TRUE(db->DestroyColumnFamilyHandle(h).ok());
  std::ofstream(state + "/FORMAT") << format::kOldFormatLines[0];
}

std::string FormatOf(const std::string& state) {
  std::ifstream file(state + "/FORMAT");
  std::string line;
  std::getline(file, line);
  return line + "\n";
}

class OldState : public testing::Test {
 protected:
  // More than are filed in one write.
  static constexpr int kResults = 3000;
  static std::vector<StoredTile> TilesOf(int number) {
    // Each has its own, and one of seven that others have too.
    return {NoiseTile(number, 600), NoiseTile(100000 + number % 7, 600)};
  }
  void SetUp() override {
    {
      auto cache = OpenCache(folder_.path());
      ASSERT_OK(cache.status());
      for (int first = 0; first < kResults; first += 500) {
        IndexBatch batch;
        for (int i = first; i < first + 500; ++i) {
          const auto tiles = TilesOf(i);
          ASSERT_OK(cache->tiles->Put(tiles));
          batch.results.emplace_back(KeyOf(i), RecordOf(tiles, 1 + i));
        }
        ASSERT_OK(cache->committer->Commit(std::move(batch)).status());
      }
    }
    MakeOld(folder_.path());
  }
  TempFolder folder_;
};

TEST_F(OldState, TheLaterOnesAreOpenedAsTheyAre) {
  ASSERT_OK(OpenCache(folder_.path()).status());
  for (size_t i = 1; i < std::size(format::kOldFormatLines); ++i) {
    std::ofstream(folder_.path() + "/FORMAT") << format::kOldFormatLines[i];
    auto cache = OpenCache(folder_.path());
    ASSERT_OK(cache.status());
    EXPECT_EQ(FormatOf(folder_.path()), format::kFormatLine);
    const ResultKey key = KeyOf(7);
    EXPECT_TRUE(cache->index->Find({&key, 1}).value()[0]);
  }
}

TEST_F(OldState, IsOpenedAndItsResultsAreFiled) {
  for (int opening = 0; opening < 2; ++opening) {
    auto cache = OpenCache(folder_.path());
    ASSERT_OK(cache.status());
    EXPECT_EQ(FormatOf(folder_.path()), format::kFormatLine);
    const auto places = cache->index->ListPlaces({}, 2 * kResults);
    ASSERT_OK(places.status());
    ASSERT_EQ(places->size(), static_cast<size_t>(kResults));
    // Cheapest first, as SetUp made them.
    for (int i = 0; i < kResults; ++i) EXPECT_EQ((*places)[i].key, KeyOf(i)) << i;
    for (int i = 0; i < kResults; i += 100) {
      EXPECT_TRUE(cache->index->FindUnnamed(DigestsOf(TilesOf(i))).value().empty()) << i;
      const ResultKey key = KeyOf(i);
      EXPECT_TRUE(cache->index->Find({&key, 1}).value()[0]) << i;
    }
  }
}

TEST_F(OldState, WhatItsResultsShareStaysUntilTheLastOneGoes) {
  auto cache = OpenCache(folder_.path());
  ASSERT_OK(cache.status());
  IndexBatch all_but_one;
  for (int i = 0; i < kResults; ++i) {
    if (i != 14) all_but_one.forget.push_back(KeyOf(i));
  }
  ASSERT_OK(cache->index->Commit(all_but_one).status());
  const std::vector<Digest> shared{TilesOf(14)[1].digest, TilesOf(15)[1].digest, TilesOf(13)[0].digest};
  EXPECT_EQ(cache->index->FindUnnamed(shared).value(), (std::vector<Digest>{shared[1], shared[2]}));
}

TEST_F(OldState, FilingThatWasInterruptedIsDoneAgain) {
  { ASSERT_OK(OpenCache(folder_.path()).status()); }
  {
    // As if it had died before the end: some are filed, nothing says that all are.
    rocksdb::DB* opened = nullptr;
    std::vector<std::string> names;
    const std::string index = folder_.path() + "/index";
    ASSERT_TRUE(rocksdb::DB::ListColumnFamilies(rocksdb::DBOptions(), index, &names).ok());
    std::vector<rocksdb::ColumnFamilyDescriptor> families;
    for (const std::string& name : names) families.emplace_back(name, rocksdb::ColumnFamilyOptions());
    std::vector<rocksdb::ColumnFamilyHandle*> handles;
    ASSERT_TRUE(rocksdb::DB::Open(rocksdb::DBOptions(), index, families, &handles, &opened).ok());
    const std::unique_ptr<rocksdb::DB> db(opened);
    for (rocksdb::ColumnFamilyHandle* h : handles) {
      if (h->GetName() == format::kWorthFamily) {
        const std::string end = format::WorthKey({kSetAside});
        ASSERT_TRUE(db->DeleteRange(rocksdb::WriteOptions(), h, format::WorthKey({1.0 / 10, {}}), end).ok());
      }
    }
    ASSERT_TRUE(db->Delete(rocksdb::WriteOptions(), format::kFiledKey).ok());
    for (rocksdb::ColumnFamilyHandle* h : handles) ASSERT_TRUE(db->DestroyColumnFamilyHandle(h).ok());
  }
  auto cache = OpenCache(folder_.path());
  ASSERT_OK(cache.status());
  EXPECT_EQ(cache->index->ListPlaces({}, 2 * kResults).value().size(), static_cast<size_t>(kResults));
}

}  // namespace
}  // namespace selvage
