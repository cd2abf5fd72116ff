// Walks over a whole cache, and copies of one that is in use.
#include "cache/verify.h"

#include <atomic>
#include <fstream>
#include <thread>

#include "cache/open.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

constexpr CacheOptions kSmall{.cache_bytes = 256 << 20, .committer = {.interval = std::chrono::milliseconds(2)}};

std::vector<StoredTile> TilesOf(int number) {
  return {NoiseTile(3 * number, 30000), NoiseTile(3 * number + 1, 30000), NoiseTile(1 << 20, 30000)};
}

void Render(Cache& cache, int number) {
  const auto tiles = TilesOf(number);
  ASSERT_OK(cache.tiles->Put(tiles));
  ASSERT_OK(cache.committer->Commit({.results = {{KeyOf(number), RecordOf(tiles)}}}).status());
}

VerifyProgress Verify(Cache& cache) {
  VerifyProgress last;
  const auto done = VerifyCache(*cache.tiles, *cache.index, *cache.committer, [&](const VerifyProgress& p) {
    EXPECT_GE(p.tiles_checked(), last.tiles_checked());
    last = p;
    return true;
  });
  EXPECT_OK(done.status());
  EXPECT_TRUE(last.done());
  return done.value_or(VerifyProgress());
}

bool IsWhole(Cache& cache, int number) {
  const ResultKey key = KeyOf(number);
  const auto record = cache.index->Find({&key, 1});
  if (!record.ok() || !record->front()) return false;
  const auto tiles = cache.tiles->Get(StoredDigests(record->front()->manifest));
  return tiles.ok() && std::all_of(tiles->begin(), tiles->end(), [](const auto& t) { return t.has_value(); });
}

TEST(VerifyCache, AWholeCacheIsFoundWhole) {
  TempFolder folder;
  auto cache = OpenCache(folder.path() + "/state", kSmall);
  ASSERT_OK(cache.status());
  for (int i = 0; i < 100; ++i) Render(*cache, i);
  const VerifyProgress p = Verify(*cache);
  EXPECT_EQ(p.tiles(), 201u) << "a tile that all share counts once";
  EXPECT_EQ(p.tiles_checked(), 201u);
  EXPECT_EQ(p.results_checked(), 100u);
  EXPECT_EQ(p.damaged() + p.results_lost(), 0u);
}

TEST(VerifyCache, DamageBecomesAMissAndTheRestStays) {
  TempFolder folder;
  const std::string state = folder.path() + "/state";
  {
    auto cache = OpenCache(state, {.cache_bytes = 64 << 20});
    ASSERT_OK(cache.status());
    // Through several buffers of 2 MiB, so that most lies in blob files.
    for (int i = 0; i < 150; ++i) Render(*cache, i);
  }
  int flipped = 0;
  for (const auto& entry : std::filesystem::directory_iterator(state + "/tiles")) {
    if (entry.path().extension() != ".blob" || flipped >= 3) continue;
    std::fstream file(entry.path(), std::ios::in | std::ios::out | std::ios::binary);
    file.seekg(static_cast<std::streamoff>(entry.file_size() / 2));
    const char byte = static_cast<char>(file.get() ^ 16);
    file.seekp(static_cast<std::streamoff>(entry.file_size() / 2));
    file.put(byte);
    ++flipped;
  }
  ASSERT_GT(flipped, 0);
  auto cache = OpenCache(state, {.cache_bytes = 64 << 20});
  ASSERT_OK(cache.status());
  const VerifyProgress p = Verify(*cache);
  EXPECT_GE(p.damaged(), 1u);
  EXPECT_LE(p.damaged(), static_cast<uint64_t>(flipped));
  EXPECT_GE(p.results_lost(), 1u);
  EXPECT_EQ(cache->stats().damaged, p.damaged());
  int whole = 0;
  for (int i = 0; i < 150; ++i) whole += IsWhole(*cache, i);
  EXPECT_EQ(whole, 150 - static_cast<int>(p.results_lost()));
  const VerifyProgress again = Verify(*cache);
  EXPECT_EQ(again.damaged() + again.results_lost(), 0u);
  for (int i = 0; i < 150; ++i) Render(*cache, i);
  for (int i = 0; i < 150; ++i) EXPECT_TRUE(IsWhole(*cache, i)) << i;
}

TEST(VerifyCache, EndsWhenNobodyWaits) {
  Cache cache = OpenMemoryCache();
  for (int i = 0; i < 10; ++i) Render(cache, i);
  const auto done =
      VerifyCache(*cache.tiles, *cache.index, *cache.committer, [](const VerifyProgress&) { return false; });
  EXPECT_TRUE(absl::IsCancelled(done.status())) << done.status();
}

TEST(Backup, OpensElsewhereWithEverythingThatWasDurable) {
  TempFolder folder;
  const std::string state = folder.path() + "/state", copy = folder.path() + "/copy";
  {
    auto cache = OpenCache(state, kSmall);
    ASSERT_OK(cache.status());
    for (int i = 0; i < 50; ++i) Render(*cache, i);
    ASSERT_OK(
        cache->committer->Commit({.journal = {{JournalType::kInvalidated, "x"}}, .values = {{"job/1", "v"}}}).status());
    // Renders go on while it is copied.
    std::atomic<bool> stop = false;
    std::thread renders([&] {
      for (int i = 1000; !stop; ++i) Render(*cache, i);
    });
    const auto bytes = cache->backup(copy);
    stop = true;
    renders.join();
    ASSERT_OK(bytes.status());
    EXPECT_GT(*bytes, 50u * 60000);
    for (int i = 2000; i < 2100; ++i) Render(*cache, i);
  }
  std::filesystem::remove_all(state);
  auto cache = OpenCache(copy, kSmall);
  ASSERT_OK(cache.status());
  for (int i = 0; i < 50; ++i) EXPECT_TRUE(IsWhole(*cache, i)) << i;
  EXPECT_FALSE(IsWhole(*cache, 2000)) << "of one moment";
  EXPECT_EQ(cache->index->FindValue("job/1").value(), "v");
  const VerifyProgress p = Verify(*cache);
  EXPECT_EQ(p.damaged() + p.results_lost(), 0u);
  Render(*cache, 3000);
  EXPECT_TRUE(IsWhole(*cache, 3000));
}

TEST(Backup, RefusesPlacesThatItMustNotTouch) {
  TempFolder folder;
  const std::string state = folder.path() + "/state";
  auto cache = OpenCache(state, kSmall);
  ASSERT_OK(cache.status());
  EXPECT_TRUE(absl::IsAlreadyExists(cache->backup(folder.path()).status()));
  std::filesystem::create_symlink("/nowhere", folder.path() + "/link");
  EXPECT_TRUE(absl::IsAlreadyExists(cache->backup(folder.path() + "/link").status()));
  EXPECT_TRUE(absl::IsInvalidArgument(cache->backup("copy").status()));
  EXPECT_TRUE(absl::IsInvalidArgument(cache->backup(state + "/copy").status()));
  EXPECT_TRUE(absl::IsNotFound(cache->backup(folder.path() + "/none/copy").status()));
  int entries = 0;
  for (const auto& e : std::filesystem::directory_iterator(folder.path())) entries += e.exists() || e.is_symlink();
  EXPECT_EQ(entries, 2) << "something was left behind";
  EXPECT_FALSE(OpenMemoryCache().backup) << "nothing to copy";
}

}  // namespace
}  // namespace selvage
