// Promises 5 and 6: a process that is killed leaves no result without its tiles.
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <thread>

#include "tests/cache/whole_results.h"

extern char** environ;

namespace selvage {
namespace {

constexpr char kFolderVariable[] = "SELVAGE_CRASH_FOLDER";
constexpr char kRoundVariable[] = "SELVAGE_CRASH_ROUND";

// Not a test: what the child of the test below does. It says on descriptor
// 3 what was acknowledged, and kills itself in the middle.
TEST(CrashChild, DISABLED_WritesUntilItDies) {
  const char* folder = std::getenv(kFolderVariable);
  ASSERT_NE(folder, nullptr);
  const int round = std::atoi(std::getenv(kRoundVariable));
  auto cache = OpenCache(folder, {.cache_bytes = 256 << 20, .committer = {.interval = std::chrono::milliseconds(3)}});
  ASSERT_OK(cache.status());
  std::thread killer([round] {
    // A different instant each round, through opening files and flushing.
    std::this_thread::sleep_for(std::chrono::milliseconds(20 + 37 * round));
    kill(getpid(), SIGKILL);
  });
  for (int i = 0;; ++i) {
    const int number = 100000 * round + i;
    const std::vector<StoredTile> tiles = TilesOfResult(number);
    if (!cache->tiles->Put(tiles).ok()) break;
    IndexBatch batch{.results = {{KeyOf(number), RecordOf(tiles)}},
                     .journal = {{JournalType::kJobFinished, std::to_string(number)}}};
    cache->committer->Add(std::move(batch), [number](absl::StatusOr<uint64_t> r) {
      if (r.ok()) (void)!write(3, &number, sizeof number);
    });
  }
  killer.join();
}

// Runs the child until it is dead; returns what it said was durable.
std::vector<int> RunChild(const std::string& folder, int round) {
  int ends[2];
  if (pipe(ends) != 0) std::abort();
  setenv(kFolderVariable, folder.c_str(), 1);
  setenv(kRoundVariable, std::to_string(round).c_str(), 1);
  std::string self = std::filesystem::read_symlink("/proc/self/exe").string();
  std::string filter = "--gtest_filter=CrashChild.*", disabled = "--gtest_also_run_disabled_tests";
  char* arguments[] = {self.data(), filter.data(), disabled.data(), nullptr};
  posix_spawn_file_actions_t files;
  posix_spawn_file_actions_init(&files);
  posix_spawn_file_actions_adddup2(&files, ends[1], 3);
  if (ends[0] != 3) posix_spawn_file_actions_addclose(&files, ends[0]);
  posix_spawn_file_actions_addopen(&files, 1, "/dev/null", O_WRONLY, 0);
  pid_t child = 0;
  EXPECT_EQ(posix_spawn(&child, self.c_str(), &files, nullptr, arguments, environ), 0);
  posix_spawn_file_actions_destroy(&files);
  close(ends[1]);
  std::vector<int> durable;
  for (int number; read(ends[0], &number, sizeof number) == sizeof number;) durable.push_back(number);
  close(ends[0]);
  int status = 0;
  waitpid(child, &status, 0);
  EXPECT_TRUE(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL) << "ended otherwise: " << status;
  return durable;
}

TEST(Crash, KilledInTheMiddleNoResultLacksItsTilesAndNoneAcknowledgedIsLost) {
  TempFolder folder;
  std::vector<int> durable;
  for (int round = 0; round < 12; ++round) {
    for (const int number : RunChild(folder.path(), round)) durable.push_back(number);
    auto cache = OpenCache(folder.path(), {.cache_bytes = 256 << 20});
    ASSERT_OK(cache.status());
    const int whole = CountWhole(*cache);
    std::vector<ResultKey> keys;
    for (const int number : durable) keys.push_back(KeyOf(number));
    const auto found = cache->index->Find(keys);
    ASSERT_OK(found.status());
    for (size_t i = 0; i < keys.size(); ++i) ASSERT_TRUE((*found)[i]) << durable[i];
    // One journal entry a result, in the same batch, numbered without a gap.
    uint64_t entries = 0;
    ASSERT_OK(cache->index->ReadJournal(0, [&](const JournalEntry& e) { EXPECT_EQ(e.sequence, ++entries); }));
    EXPECT_EQ(entries, static_cast<uint64_t>(whole));
  }
  EXPECT_GT(durable.size(), 50u);
}

}  // namespace
}  // namespace selvage
