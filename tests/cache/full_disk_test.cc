// The disk that the state folder lies on fills up: an answer, never an end.
#include <sys/mount.h>
#include <sys/statvfs.h>

#include <atomic>
#include <fstream>
#include <thread>

#include "cache/disk_room.h"
#include "tests/cache/whole_results.h"

namespace selvage {
namespace {

// Of its own, in memory; gone at the end of the test.
class SmallDisk {
 public:
  explicit SmallDisk(int megabytes) : size_("size=" + std::to_string(megabytes) + "m") {
    mounted_ = mount("selvage-test", path().c_str(), "tmpfs", 0, size_.c_str()) == 0;
  }
  ~SmallDisk() {
    if (mounted_) umount2(path().c_str(), MNT_DETACH);
  }
  bool mounted() const { return mounted_; }
  const std::string& path() const { return folder_.path(); }

  // Between one instant and the next another program has taken all that was left.
  void Fill() const {
    struct statvfs s;
    do {
      ASSERT_EQ(statvfs(path().c_str(), &s), 0);
    } while (!Resize("size=" + std::to_string((s.f_blocks - s.f_bfree) * s.f_frsize)));
  }
  // It gives everything back.
  void Empty() const { ASSERT_TRUE(Resize(size_)); }

 private:
  // False if more is used.
  bool Resize(const std::string& size) const {
    return mount("selvage-test", path().c_str(), "tmpfs", MS_REMOUNT, size.c_str()) == 0;
  }

  const std::string size_;
  TempFolder folder_;
  bool mounted_ = false;
};

TEST(FullDisk, IsAnAnswerReadsGoOnAndItRecovers) {
  SmallDisk disk(400);
  if (!disk.mounted()) GTEST_SKIP() << "needs the right to mount a small disk";
  const std::string ballast = disk.path() + "/ballast";
  { std::ofstream(ballast) << std::string(200 << 20, 'b'); }
  int committed = 0;
  {
    auto cache = OpenCache(disk.path() + "/state", {.cache_bytes = 256 << 20});
    ASSERT_OK(cache.status());
    absl::Status s;
    int number = 0;
    for (; number < 1000 && s.ok(); ++number) {
      const auto tiles = TilesOfResult(number);
      s = cache->tiles->Put(tiles);
      if (s.ok()) s = cache->committer->Commit({.results = {{KeyOf(number), RecordOf(tiles)}}}).status();
      committed += s.ok();
    }
    EXPECT_TRUE(absl::IsResourceExhausted(s)) << s;
    EXPECT_GT(committed, 20);
    EXPECT_EQ(CountWhole(*cache), committed);
    EXPECT_OK(cache->committer->Commit({.journal = {{JournalType::kInvalidated, "x"}}}).status());

    // Somebody makes room: without a restart, it goes on.
    std::filesystem::remove(ballast);
    const auto tiles = TilesOfResult(2000);
    absl::Status again = cache->tiles->Put(tiles);
    if (again.ok()) again = cache->committer->Commit({.results = {{KeyOf(2000), RecordOf(tiles)}}}).status();
    EXPECT_OK(again);
    committed += again.ok();
    EXPECT_EQ(CountWhole(*cache), committed);
  }
  auto cache = OpenCache(disk.path() + "/state", {.cache_bytes = 256 << 20});
  ASSERT_OK(cache.status());
  EXPECT_EQ(CountWhole(*cache), committed);
}

TEST(FullDisk, TheReserveIsGivenUpOnceAndTakenAgainWhenThereIsRoom) {
  SmallDisk disk(200);
  if (!disk.mounted()) GTEST_SKIP() << "needs the right to mount a small disk";
  DiskReserve reserve(disk.path(), 100 << 20);
  EXPECT_EQ(reserve.held_bytes(), 0u) << "nothing is taken before the folder is ours";
  reserve.Take();
  EXPECT_EQ(reserve.held_bytes(), uint64_t{10} << 20) << "5 % of the disk";
  EXPECT_LE(AvailableBytes(disk.path()), uint64_t{190} << 20) << "else others could take it";
  EXPECT_OK(reserve.CheckRoom(50 << 20));

  disk.Fill();
  const absl::Status full = reserve.CheckRoom(50 << 20);
  EXPECT_TRUE(absl::IsResourceExhausted(full)) << full;
  for (const char* said : {disk.path().c_str(), "0 MiB free", "51 MiB needed"}) {
    EXPECT_NE(full.message().find(said), absl::string_view::npos) << said << ": " << full;
  }
  // The index may use it.
  EXPECT_OK(reserve.CheckLastRoom(8 << 20));
  EXPECT_TRUE(absl::IsResourceExhausted(reserve.CheckLastRoom(11 << 20)));

  EXPECT_TRUE(reserve.GiveUp());
  EXPECT_GE(AvailableBytes(disk.path()), uint64_t{10} << 20);
  EXPECT_FALSE(reserve.GiveUp()) << "nothing is left to give";
  EXPECT_TRUE(absl::IsResourceExhausted(reserve.CheckRoom(1 << 20)));
  EXPECT_EQ(reserve.held_bytes(), 0u);

  disk.Empty();
  EXPECT_OK(reserve.CheckRoom(1 << 20));
  EXPECT_EQ(reserve.held_bytes(), uint64_t{10} << 20);
}

TEST(FullDisk, ASecondDaemonDoesNotTouchTheReserveOfTheFirst) {
  TempFolder folder;
  const auto first = OpenCache(folder.path());
  ASSERT_OK(first.status());
  const auto size = std::filesystem::file_size(folder.path() + "/reserve");
  EXPECT_GT(size, 0u);
  EXPECT_FALSE(OpenCache(folder.path()).ok());
  EXPECT_EQ(std::filesystem::file_size(folder.path() + "/reserve"), size);
  EXPECT_LT(first->stats().bytes, size) << "it is not part of the cache";
}

// Nobody can ask for room and write in one: others come in between, again and again.
TEST(FullDisk, OthersThatTakeTheLastOfItInTheMiddleOfAWriteEndNothing) {
  SmallDisk disk(400);
  if (!disk.mounted()) GTEST_SKIP() << "needs the right to mount a small disk";
  int committed = 0;
  {
    auto cache = OpenCache(disk.path() + "/state", {.cache_bytes = 128 << 20});
    ASSERT_OK(cache.status());
    std::atomic<bool> done{false};
    std::thread others([&] {
      while (!done) {
        disk.Fill();
        std::this_thread::sleep_for(std::chrono::milliseconds(5));
        disk.Empty();
        // Long enough for a few writes, short enough to cut into them.
        std::this_thread::sleep_for(std::chrono::milliseconds(50));
      }
    });
    int refused = 0;
    for (int number = 0; number < 20000 && (refused < 50 || committed < 100); ++number) {
      const auto tiles = TilesOfResult(number);
      absl::Status s = cache->tiles->Put(tiles);
      if (s.ok()) s = cache->committer->Commit({.results = {{KeyOf(number), RecordOf(tiles)}}}).status();
      EXPECT_TRUE(s.ok() || absl::IsResourceExhausted(s)) << s;
      committed += s.ok();
      refused += !s.ok();
    }
    done = true;
    others.join();
    EXPECT_GT(refused, 0);
    EXPECT_OK(cache->health());
    EXPECT_EQ(CountWhole(*cache), committed);
    disk.Empty();
    const auto tiles = TilesOfResult(100000);
    EXPECT_OK(cache->tiles->Put(tiles));
    EXPECT_OK(cache->committer->Commit({.results = {{KeyOf(100000), RecordOf(tiles)}}}).status());
  }
  auto cache = OpenCache(disk.path() + "/state", {.cache_bytes = 128 << 20});
  ASSERT_OK(cache.status());
  EXPECT_EQ(CountWhole(*cache), committed + 1);
}

}  // namespace
}  // namespace selvage
