// Whose jobs there are, and what is left when one stops watching.
#include <grpcpp/grpcpp.h>
#include <signal.h>

#include <filesystem>

#include "client/language/stack_file.h"
#include "client/owner.h"
#include "proto/job.grpc.pb.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

TEST(Jobs, LastIsOnesOwnNewestAndTheListSaysWhose) {
  Studio studio(4);
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(4));
  const Finished none = studio.Client({"watch"});
  EXPECT_EQ(none.exit_code, 1);
  EXPECT_SAYS(none.err, "no job of yours");
  const std::string mine = studio.Submit(stack).job_id();

  auto stub = JobService::NewStub(grpc::CreateChannel(studio.server(), grpc::InsecureChannelCredentials()));
  SubmitRequest request;
  *request.mutable_stack() = client::StackFile::Read(stack)->stack();
  request.set_owner("night@shift");
  request.set_request_id("night");
  SubmitReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(stub->Submit(&context, request, &reply).ok());
  studio.WatchToEnd(reply.job_id());

  EXPECT_SAYS(studio.Client({"--json", "watch", "last"}).out, "\"job_id\": \"" + mine + "\"");
  const Finished all = studio.Client({"jobs"});
  EXPECT_SAYS(all.out, "night@shift");
  EXPECT_SAYS(all.out, client::Owner());
  EXPECT_SAYS(all.out, "submitted");
  const Finished own = studio.Client({"jobs", "--mine"});
  EXPECT_SAYS(own.out, mine);
  EXPECT_EQ(own.out.find("night@shift"), std::string::npos) << own.out;
}

TEST(Jobs, CtrlCEndsTheWatchingAndSaysThatTheJobGoesOn) {
  Studio studio(4);
  studio.Start({.local_workers = 0});
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(4)));
  Process watch({SELVAGE_BINARY_DIR "/client/selvage", "--server", studio.server(), "watch", job},
                studio.file("watch.log"));
  for (int i = 0; i < 200 && ReadFile(studio.file("watch.log")).empty(); ++i) SleepMs(50);
  watch.Signal(SIGINT);
  EXPECT_EQ(watch.Wait(20), 130);
  const std::string said = ReadFile(studio.file("watch.log"));
  EXPECT_SAYS(said, "job " + job + " goes on; `selvage watch " + job + "` follows it again");
  const JobState state = studio.Snapshot(job).state();
  EXPECT_TRUE(state == JOB_RUNNING || state == JOB_INSPECTING) << JobState_Name(state);
}

// Waits until the file holds `part`, 60 s at most.
::testing::AssertionResult ComesToSay(const std::string& file, const std::string& part, size_t times = 1) {
  std::string said;
  for (int i = 0; i < 1200; ++i) {
    said = ReadFile(file);
    size_t found = 0;
    for (size_t at = said.find(part); at != std::string::npos; at = said.find(part, at + 1)) ++found;
    if (found >= times) return ::testing::AssertionSuccess();
    SleepMs(50);
  }
  return ::testing::AssertionFailure() << "no " << part << " in: " << said;
}

TEST(Jobs, FollowedStackIsHandedInAtEachSave) {
  Studio studio(4);
  studio.Start({.local_workers = 0});
  const std::string text = SmallStack(4), stack = studio.WriteStack("small.stack", text), log = studio.file("said.log");
  Process follow({SELVAGE_BINARY_DIR "/client/selvage", "--server", studio.server(), "submit", stack, "--follow",
                  "--notify", "echo rang for $SELVAGE_STACK: $SELVAGE_STATE"},
                 log);
  // No worker: the first job still runs when the file is saved again.
  ASSERT_TRUE(ComesToSay(log, "no worker is connected"));
  WriteFile(stack, text + "# a note\n");
  ASSERT_TRUE(ComesToSay(log, "no worker is connected", 2));
  Process worker = studio.StartWorker(2);
  ASSERT_TRUE(ComesToSay(log, "rang for small: done"));
  ASSERT_TRUE(ComesToSay(log, "to be saved again"));
  WriteFile(stack, text + "}");
  ASSERT_TRUE(ComesToSay(log, "small.stack:"));
  WriteFile(stack, text);
  ASSERT_TRUE(ComesToSay(log, "rang for small: done", 2));
  EXPECT_TRUE(follow.running());
  const std::string jobs = studio.Client({"--json", "jobs"}).out;
  EXPECT_SAYS(jobs, "JOB_CANCELLED");
}

TEST(Jobs, WorkersSaysHowManySlotsThereShouldBe) {
  Studio studio(4);
  studio.Start({.local_workers = 0});
  EXPECT_EQ(studio.Client({"workers", "--want"}).out, "0\n");
  const std::string job = studio.SubmitOnly(studio.WriteStack("small.stack", SmallStack(4)));
  for (int i = 0; i < 200 && studio.Client({"workers", "--want"}).out == "0\n"; ++i) SleepMs(50);
  // Plates that are to be looked at, four of the shot and one behind it.
  EXPECT_EQ(studio.Client({"workers", "--want"}).out, "5\n");
  const Finished json = studio.Client({"--json", "workers", "--want"});
  EXPECT_EQ(json.out, "{\n  \"wanted_slots\": 5,\n  \"ready_tasks\": 5,\n  \"waiting_seconds\": 0\n}\n");
  Process worker = studio.StartWorker(2);
  EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(studio.Client({"workers", "--want"}).out, "0\n");
  EXPECT_EQ(studio.Stop(), 0);
  const Finished away = studio.Client({"workers", "--want"});
  EXPECT_NE(away.exit_code, 0);
  EXPECT_EQ(away.out, "") << "no number that a script could take for one";
}

// Two workers that have the disk elsewhere than the daemon: one where it is not mounted, one
// where it is. A copy with other inode numbers stands for the second mount.
TEST(Jobs, WorkersReadPlatesWhereTheDiskIsMountedThere) {
  Studio studio(4);
  studio.Start({.local_workers = 0});
  const std::string stack = studio.WriteStack("small.stack", SmallStack(4));
  const std::filesystem::path mounted = studio.file("mounted");
  std::filesystem::create_directory(mounted);
  for (const auto& entry : std::filesystem::directory_iterator(studio.folder())) {
    if (entry.path().extension() != ".exr") continue;
    std::filesystem::copy(entry, mounted / entry.path().filename());
    // The same file has the same time, however it is reached.
    std::filesystem::last_write_time(mounted / entry.path().filename(), entry.last_write_time());
  }
  Process without = studio.StartWorker(1, {"--map", studio.folder() + "=/nowhere"});
  const std::string job = studio.SubmitOnly(stack);
  EXPECT_TRUE(ComesToSay(studio.log(), "/nowhere/plate.1001.exr does not exist on this worker"));
  without.Kill();
  Process with = studio.StartWorker(2, {"--map", studio.folder() + "=" + mounted.string()});
  EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(Sum(studio.Submit(stack)).rendered, 0u) << "nothing is looked at or rendered again";
  EXPECT_EQ(studio.Client({"why", stack, "degrained"}).exit_code, 0);
  const Finished refused = RunProcess({std::string(SELVAGE_BINARY_DIR) + "/worker/selvage-worker", "--map", "studio"});
  EXPECT_EQ(refused.exit_code, 1);
  EXPECT_SAYS(refused.err, "--map: \"studio\" must have one equals sign");
}

TEST(Jobs, NotifyNeedsSomethingToWaitFor) {
  Studio studio(1);
  studio.Start();
  const Finished f = studio.Client({"submit", studio.WriteStack("small.stack", SmallStack(1)), "--notify", "true"});
  EXPECT_EQ(f.exit_code, 2);
  EXPECT_SAYS(f.err, "--watch");
}

}  // namespace
}  // namespace selvage::e2e
