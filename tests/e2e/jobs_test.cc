// Whose jobs there are, and what is left when one stops watching.
#include <grpcpp/grpcpp.h>
#include <signal.h>

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

}  // namespace
}  // namespace selvage::e2e
