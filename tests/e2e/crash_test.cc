// kill -9 at bad moments; the pixels of an undisturbed run at the end.
#include <signal.h>

#include <fstream>

#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

constexpr int kFrames = 10;

Files Undisturbed() {
  static const auto* const files = [] {
    Studio studio(kFrames);
    studio.Start();
    studio.Submit(studio.WriteStack("small.stack", SmallStack(kFrames)));
    return new Files(studio.Fetch("out"));
  }();
  return *files;
}

TEST(Crash, DaemonKilledInMidJobFinishesItAfterRestart) {
  const auto expected = Undisturbed();
  for (const int after_ms : {250, 600, 1100}) {
    Studio studio(kFrames);
    studio.Start();
    const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
    SleepMs(after_ms);
    studio.KillDaemon();
    studio.Start();
    const JobProgress p = studio.WatchToEnd(job);
    EXPECT_EQ(p.state(), JOB_DONE) << "killed after " << after_ms << " ms";
    EXPECT_EQ(Differences(studio.Fetch("out"), expected), "") << "killed after " << after_ms << " ms";
  }
}

TEST(Crash, FinishedTasksAreNotRenderedAgainAfterRestart) {
  Studio studio(kFrames);
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(kFrames));
  // A first part is finished and said to be finished ...
  const JobProgress part = studio.Submit(stack, {"frames.last=1005"});
  const uint64_t done = Sum(part).rendered;
  ASSERT_GT(done, 0u);
  const std::string job = studio.SubmitOnly(stack);
  SleepMs(100);
  studio.KillDaemon();
  studio.Start();
  const JobProgress p = studio.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_DONE);
  // ... so the whole takes no more than the rest (degrain at 1005 sees 1006 now).
  const JobProgress again = studio.Submit(stack);
  EXPECT_EQ(Sum(again).rendered, 0u);
  Studio fresh(kFrames);
  fresh.Start();
  const uint64_t all = Sum(fresh.Submit(fresh.WriteStack("small.stack", SmallStack(kFrames)))).rendered;
  EXPECT_LT(Sum(p).rendered, all - done / 2);
}

TEST(Crash, WorkerKilledInMidJobLosesNothing) {
  const auto expected = Undisturbed();
  Studio studio(kFrames);
  studio.Start({.local_workers = 0});
  Process one = studio.StartWorker();
  Process two = studio.StartWorker();
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
  SleepMs(500);
  one.Kill();
  const JobProgress p = studio.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(Differences(studio.Fetch("out"), expected), "");
}

// The worker that the daemon has started; 0 if there is none just now.
pid_t LocalWorkerOf(pid_t daemon) {
  for (const auto& entry : std::filesystem::directory_iterator("/proc")) {
    const pid_t pid = std::atoi(entry.path().filename().c_str());
    if (pid == 0) continue;
    std::ifstream stat(entry.path() / "stat");
    std::string number, name, state;
    pid_t parent = 0;
    if (stat >> number >> name >> state >> parent && parent == daemon && name == "(selvage-worker)") return pid;
  }
  return 0;
}

TEST(Crash, LocalWorkerThatCrashesInMidJobTakesNeitherDaemonNorPixelsAlong) {
  const auto expected = Undisturbed();
  Studio studio(kFrames);
  studio.Start();
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
  for (const int signal : {SIGSEGV, SIGKILL}) {
    pid_t worker = 0;
    for (int i = 0; i < 1000 && worker == 0; ++i) {
      SleepMs(10);
      worker = LocalWorkerOf(studio.daemon().pid());
    }
    ASSERT_GT(worker, 0);
    SleepMs(400);
    ::kill(worker, signal);
    for (int i = 0; i < 500 && LocalWorkerOf(studio.daemon().pid()) == worker; ++i) SleepMs(10);
  }
  EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(Differences(studio.Fetch("out"), expected), "");
  EXPECT_EQ(studio.Stop(), 0);
}

TEST(Crash, LocalWorkerGoesWithItsDaemon) {
  Studio studio(kFrames);
  studio.Start();
  pid_t worker = 0;
  for (int i = 0; i < 500 && worker == 0; ++i) {
    SleepMs(10);
    worker = LocalWorkerOf(studio.daemon().pid());
  }
  ASSERT_GT(worker, 0);
  studio.KillDaemon();
  for (int i = 0; i < 500 && ::kill(worker, 0) == 0; ++i) SleepMs(10);
  EXPECT_NE(::kill(worker, 0), 0) << "it would render for nobody";
}

TEST(Crash, WorkerThatIsToldToStopHandsBackWhatItHas) {
  Studio studio(kFrames);
  studio.Start({.local_workers = 0});
  Process one = studio.StartWorker();
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
  // Not before it is there: a process that has only begun dies of SIGTERM.
  for (int i = 0; i < 200 && studio.Client({"workers"}).out.find("working") == std::string::npos; ++i) SleepMs(50);
  SleepMs(200);
  one.Signal(SIGTERM);
  EXPECT_EQ(one.Wait(30), 0);
  Process two = studio.StartWorker();
  EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE);
}

// Without time to finish anything: what it has begun is the next one's, at once and without blame.
TEST(Crash, WorkerThatMustGoAtOnceHandsBackWhatItHasBegun) {
  const auto expected = Undisturbed();
  Studio studio(kFrames);
  studio.Start({.local_workers = 0});
  Process one = studio.StartWorker(4, {"--grace", "0"});
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
  const auto begun = [&] {
    const std::string all = studio.Client({"workers"}).out;
    return all.find(" of 4") != std::string::npos && all.find("0 of 4") == std::string::npos;
  };
  for (int i = 0; i < 400 && !begun(); ++i) SleepMs(20);
  one.Signal(SIGTERM);
  EXPECT_EQ(one.Wait(30), 0);
  Process two = studio.StartWorker(2);
  const JobProgress p = studio.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(p.problem_size(), 0) << p.problem(0);
  EXPECT_EQ(Differences(studio.Fetch("out"), expected), "");
}

TEST(Crash, ClientKilledWhileWatchingDoesNotStopTheJob) {
  Studio studio(kFrames);
  studio.Start();
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
  (void)studio.Client({"watch", job}, 0);  // killed at once
  EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE);
}

TEST(Crash, CancelledJobStopsAndItsResultsStay) {
  // So many frames that it is not done when it is cancelled.
  Studio studio(80);
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(80));
  const std::string job = studio.SubmitOnly(stack);
  SleepMs(200);
  EXPECT_EQ(studio.Client({"cancel", job}).exit_code, 0);
  EXPECT_EQ(studio.Snapshot(job).state(), JOB_CANCELLED);
  EXPECT_EQ(studio.Client({"watch", job}).exit_code, 4);
  EXPECT_EQ(studio.Submit(stack).state(), JOB_DONE);
}

TEST(Crash, SigtermInMidJobEndsWithinTenSecondsAndTheJobGoesOn) {
  Studio studio(kFrames);
  studio.Start();
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(kFrames)));
  SleepMs(400);
  EXPECT_EQ(studio.Stop(), 0);
  studio.Start();
  EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE);
}

}  // namespace
}  // namespace selvage::e2e
