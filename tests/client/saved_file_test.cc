#include "client/saved_file.h"

#include <atomic>
#include <filesystem>
#include <fstream>
#include <thread>

#include "client/exit_code.h"
#include "gtest/gtest.h"

namespace selvage::client {
namespace {

class SavedFileTest : public ::testing::Test {
 protected:
  void Write(const std::string& content) const { std::ofstream(path_, std::ios::binary) << content; }

  const std::string path_ = (std::filesystem::path(::testing::TempDir()) / "saved_file_test.stack").string();
};

TEST_F(SavedFileTest, OtherContentIsAChangeAndNothingElse) {
  Write("one");
  SavedFile file(path_);
  EXPECT_FALSE(file.Changed());
  Write("one");
  EXPECT_FALSE(file.Changed()) << "saved, but the same";
  std::filesystem::remove(path_);
  EXPECT_FALSE(file.Changed()) << "an editor is about to put another in its place";
  Write("two");
  EXPECT_TRUE(file.Changed());
  file.Remember();
  EXPECT_FALSE(file.Changed());
}

TEST_F(SavedFileTest, SomebodyWhoWritesWithoutEndIsNotWaitedForWithoutEnd) {
  Write("0");
  SavedFile file(path_);
  std::atomic<bool> over{false};
  std::thread writer([&] {
    for (int i = 1; !over; ++i) {
      Write(std::to_string(i));
      std::this_thread::sleep_for(std::chrono::milliseconds(50));
    }
  });
  file.AwaitChange();
  over = true;
  writer.join();
}

TEST_F(SavedFileTest, EachSaveRunsOnceAndAWrongCommandLineEndsIt) {
  Write("0");
  int runs = 0;
  const absl::Status end = AtEachSave(path_, [&](const auto& changed) {
    ++runs;
    EXPECT_FALSE(changed());
    if (runs == 4) return UsageError("--as cannot be that");
    Write(std::to_string(runs));
    EXPECT_TRUE(changed());
    // What went wrong is said, and the next save is waited for all the same.
    return runs == 2 ? absl::AbortedError("the job failed") : runs == 3 ? absl::CancelledError() : absl::OkStatus();
  });
  EXPECT_EQ(ExitCodeOf(end), kUsage);
  EXPECT_EQ(runs, 4);
}

}  // namespace
}  // namespace selvage::client
