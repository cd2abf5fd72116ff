// Files of the state folder that are damaged or deleted, while the daemon is stopped and
// while it runs.
#include <fstream>
#include <random>

#include "cache/rocks_result_index.h"
#include "tests/cache/whole_results.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

std::vector<fs::path> FilesIn(const std::string& folder, const std::string& ending) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(folder)) {
    if (entry.path().string().ends_with(ending)) files.push_back(entry.path());
  }
  return files;
}

void FlipBits(const fs::path& path, int count, uint64_t seed) {
  std::mt19937_64 random(seed);
  std::fstream file(path, std::ios::in | std::ios::out | std::ios::binary);
  const uint64_t size = fs::file_size(path);
  for (int i = 0; i < count; ++i) {
    const auto where = static_cast<std::streamoff>(random() % size);
    file.seekg(where);
    const char byte = static_cast<char>(file.get() ^ (1 << random() % 8));
    file.seekp(where);
    file.put(byte);
  }
}

// Folders STATE/damaged-*/NAME.
std::vector<fs::path> SetAsideIn(const std::string& state, const std::string& name) {
  std::vector<fs::path> found;
  for (const auto& entry : fs::directory_iterator(state)) {
    if (entry.path().filename().string().starts_with("damaged-")) found.push_back(entry.path() / name);
  }
  return found;
}

constexpr int kResults = 40;

void WriteResults(const std::string& state) {
  auto cache = OpenCache(state);
  ASSERT_OK(cache.status());
  for (int i = 0; i < kResults; ++i) {
    const auto tiles = TilesOfResult(i);
    ASSERT_OK(cache->tiles->Put(tiles));
    ASSERT_OK(cache->committer->Commit({.results = {{KeyOf(i), RecordOf(tiles)}}}).status());
  }
}

// All results can be had again, whatever was lost.
void RenderAgain(Cache& cache) {
  for (int i = 0; i < kResults; ++i) {
    const ResultKey key = KeyOf(i);
    ASSERT_OK(cache.index->Find({&key, 1}).status());
    const auto tiles = TilesOfResult(i);
    // What a reader does, who finds a tile missing: this one is counted as damaged.
    ASSERT_OK(cache.tiles->Get(DigestsOf(tiles)).status());
    ASSERT_OK(cache.tiles->Put(tiles));
    ASSERT_OK(cache.committer->Commit({.results = {{key, RecordOf(tiles)}}}).status());
    const auto found = cache.tiles->Get(DigestsOf(tiles));
    ASSERT_OK(found.status());
    for (size_t t = 0; t < tiles.size(); ++t) ASSERT_EQ((*found)[t], tiles[t].data) << i;
    ASSERT_TRUE(cache.index->Find({&key, 1}).value()[0]) << i;
  }
}

TEST(DamagedState, BitsFlippedInTheLogOfTheTilesAreSetAsideAndRenderedAgain) {
  for (uint64_t seed = 0; seed < 4; ++seed) {
    TempFolder folder;
    WriteResults(folder.path());
    const auto logs = FilesIn(folder.path() + "/tiles", ".log");
    ASSERT_FALSE(logs.empty());
    for (const fs::path& log : logs) FlipBits(log, 20, seed);
    auto cache = OpenCache(folder.path());
    ASSERT_OK(cache.status());
    // A log may be read as far as it goes; one that cannot be is there to be looked at.
    for (const fs::path& aside : SetAsideIn(folder.path(), "tiles")) EXPECT_FALSE(FilesIn(aside, ".log").empty());
    RenderAgain(*cache);
  }
}

TEST(DamagedState, ATileStoreThatCannotBeOpenedAtAllIsSetAsideWhole) {
  for (const char* what : {"MANIFEST", "CURRENT"}) {
    TempFolder folder;
    WriteResults(folder.path());
    for (const auto& entry : fs::directory_iterator(folder.path() + "/tiles")) {
      if (entry.path().filename().string().starts_with(what)) fs::resize_file(entry.path(), 3);
    }
    auto cache = OpenCache(folder.path());
    ASSERT_OK(cache.status());
    EXPECT_FALSE(SetAsideIn(folder.path(), "tiles").empty()) << what;
    RenderAgain(*cache);
  }
}

TEST(DamagedState, AnIndexThatCannotBeOpenedIsLeftAloneAndTheMessageSaysWhatToDo) {
  TempFolder folder;
  WriteResults(folder.path());
  for (const auto& entry : fs::directory_iterator(folder.path() + "/index")) {
    if (entry.path().filename().string().starts_with("MANIFEST")) fs::resize_file(entry.path(), 3);
  }
  const absl::Status s = OpenCache(folder.path()).status();
  EXPECT_TRUE(absl::IsDataLoss(s)) << s;
  EXPECT_NE(s.message().find("backup"), absl::string_view::npos) << s;
  EXPECT_TRUE(SetAsideIn(folder.path(), "index").empty());
}

TEST(DamagedState, RecordsOfTheIndexThatCannotBeReadAreMisses) {
  TempFolder folder;
  const auto names = [](int i) {
    return NameRecord{.stack = "shot", .pass = "core", .frame = i, .key = KeyOf(i), .recipe = Sha256("r")};
  };
  {
    auto index = RocksResultIndex::Open(folder.path());
    ASSERT_OK(index.status());
    IndexBatch batch;
    for (int i = 0; i < 2000; ++i) {
      batch.results.emplace_back(KeyOf(i), RecordOf({}));
      batch.traces.emplace_back(Sha256(std::to_string(i)), KeyOf(i));
      batch.names.push_back(names(i));
    }
    ASSERT_OK((*index)->Commit(batch).status());
  }
  // Opening it writes the log out as tables.
  auto opened = RocksResultIndex::Open(folder.path());
  ASSERT_OK(opened.status());
  RocksResultIndex& index = **opened;
  const auto tables = FilesIn(folder.path(), ".sst");
  ASSERT_FALSE(tables.empty());
  for (const fs::path& table : tables) FlipBits(table, 60, 3);

  int lost = 0;
  for (int i = 0; i < 2000; ++i) {
    const ResultKey key = KeyOf(i);
    const auto found = index.Find({&key, 1});
    ASSERT_OK(found.status());
    lost += !(*found)[0];
    const auto trace = index.FindTrace(Sha256(std::to_string(i)));
    ASSERT_OK(trace.status());
    EXPECT_TRUE(!*trace || **trace == key);
    const NameRecord place = names(i);
    ASSERT_OK(index.FindNamesAt({&place, 1}).status());
  }
  ASSERT_OK(index.FindNames("shot", "core").status());
  EXPECT_GT(lost, 0) << "nothing was hit";
  EXPECT_LT(lost, 2000);
  EXPECT_GT(index.CountUnreadable(), 0u);
  // Rendered again, forgotten, and rendered again.
  for (const bool forget : {false, true}) {
    IndexBatch batch;
    for (int i = 0; i < 2000; ++i) {
      if (forget) batch.forget.push_back(KeyOf(i));
      batch.results.emplace_back(KeyOf(i), RecordOf({}));
      batch.traces.emplace_back(Sha256(std::to_string(i)), KeyOf(i));
    }
    ASSERT_OK(index.Commit(batch).status());
    for (int i = 0; i < 2000; ++i) {
      const ResultKey key = KeyOf(i);
      ASSERT_TRUE(index.Find({&key, 1}).value()[0]) << i;
      ASSERT_EQ(index.FindTrace(Sha256(std::to_string(i))).value(), key);
    }
  }
}

TEST(DamagedState, WhatCannotBeRenderedAgainSaysWhatToDo) {
  TempFolder folder;
  {
    auto index = RocksResultIndex::Open(folder.path());
    ASSERT_OK(index.status());
    IndexBatch batch;
    for (int i = 0; i < 2000; ++i) batch.values.emplace_back("job/" + std::to_string(i), NoiseContent(i, 200));
    ASSERT_OK((*index)->Commit(batch).status());
  }
  auto index = RocksResultIndex::Open(folder.path());
  ASSERT_OK(index.status());
  for (const fs::path& table : FilesIn(folder.path(), ".sst")) FlipBits(table, 60, 3);
  const absl::Status s = (*index)->ListValues("job/").status();
  EXPECT_TRUE(absl::IsDataLoss(s)) << s;
  for (const std::string& said : {folder.path(), std::string("start it again"), std::string("backup")}) {
    EXPECT_NE(s.message().find(said), absl::string_view::npos) << s;
  }
}

TEST(DeletedUnderARunningDaemon, IsNoticedSaidAndNothingIsTakenAnyMore) {
  for (const std::string gone : {"tiles", "index"}) {
    TempFolder folder;
    auto cache = OpenCache(folder.path());
    ASSERT_OK(cache.status());
    const auto tiles = TilesOfResult(1);
    ASSERT_OK(cache->tiles->Put(tiles));
    ASSERT_OK(cache->health());
    fs::remove_all(folder.path() + "/" + gone);
    const absl::Status s = cache->health();
    EXPECT_TRUE(absl::IsDataLoss(s)) << s;
    EXPECT_NE(s.message().find(folder.path() + "/" + gone), absl::string_view::npos) << s;
    EXPECT_NE(s.message().find("deleted"), absl::string_view::npos) << s;
    EXPECT_FALSE(cache->committer->Commit({.results = {{KeyOf(1), RecordOf(tiles)}}}).ok())
        << "said to be durable in a file that nobody can open";
    // Made again by somebody: still not the one that was opened.
    fs::create_directory(folder.path() + "/" + gone);
    std::ofstream(folder.path() + "/" + gone + "/LOCK");
    EXPECT_TRUE(absl::IsDataLoss(cache->health()));
  }
}

}  // namespace
}  // namespace selvage
