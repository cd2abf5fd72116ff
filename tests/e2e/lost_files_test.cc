// Promise 6 where somebody deletes the daemon's files under it: it says so and ends, and
// the next one renders what is no longer there.
#include <filesystem>

#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

TEST(LostFiles, ADaemonWhoseTilesAreDeletedSaysSoAndEndsAndTheNextOneRendersThemAgain) {
  Studio studio;
  studio.Start();
  const std::string stack = studio.WriteStack("s.stack", SmallStack(6));
  studio.Submit(stack);
  const Files before = studio.Fetch("before");

  std::filesystem::remove_all(studio.file("state/tiles"));
  EXPECT_EQ(studio.daemon().Wait(30), 1);
  const std::string log = ReadFile(studio.log());
  EXPECT_NE(log.find(studio.file("state/tiles") + " were deleted"), std::string::npos) << log;

  studio.Start();
  const Counts counts = Sum(studio.Submit(stack));
  EXPECT_GT(counts.rendered, 0u);
  EXPECT_EQ(Differences(before, studio.Fetch("after")), "");
}

}  // namespace
}  // namespace selvage::e2e
