// Promise 2: the same files from any number of workers and threads, embedded or
// apart, cold or warm.
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

constexpr int kFrames = 5;

Files Render(int local_workers, const std::vector<int>& worker_slots, const std::vector<std::string>& more = {}) {
  Studio studio(kFrames);
  studio.Start({.local_workers = local_workers, .more = more});
  std::vector<Process> workers;
  for (int slots : worker_slots) workers.push_back(studio.StartWorker(slots));
  studio.Submit(studio.WriteStack("small.stack", SmallStack(kFrames)));
  return studio.Fetch("out");
}

TEST(SameBits, AnyNumberOfWorkersAndThreadsEmbeddedOrApart) {
  const auto one = Render(1, {});
  ASSERT_EQ(one.size(), 2u * kFrames);
  EXPECT_EQ(Differences(Render(4, {}), one), "") << "the daemon's own worker, four threads";
  EXPECT_EQ(Differences(Render(4, {}, {"--embedded"}), one), "") << "four threads of the daemon";
  EXPECT_EQ(Differences(Render(0, {1}), one), "") << "one process, one thread";
  EXPECT_EQ(Differences(Render(0, {4}), one), "") << "one process, four threads";
  EXPECT_EQ(Differences(Render(0, {1, 1, 1, 1}), one), "") << "four processes";
  EXPECT_EQ(Differences(Render(1, {2}), one), "") << "mixed";
}

TEST(SameBits, ColdAndWarm) {
  Studio studio(kFrames);
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(kFrames));
  studio.Submit(stack, {"warm.grade.gain=1.5", "core.choke.pixels=2"});
  studio.Submit(stack);
  EXPECT_EQ(Differences(studio.Fetch("out"), Render(2, {})), "");
}

}  // namespace
}  // namespace selvage::e2e
