// Jobs over the network: what a client sees.
#include <chrono>
#include <filesystem>
#include <set>
#include <thread>

#include "tests/server/daemon.h"

namespace selvage {
namespace {

TEST(Jobs, SubmittedStackIsRenderedAndFetchedWhole) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const std::string job = d.Submit(d.TwoPasses());
  const JobProgress p = d.WatchToEnd(job);
  ASSERT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(Rendered(p), 9u);
  ASSERT_NE(Line(p, "plate plate"), nullptr) << p.DebugString();
  EXPECT_EQ(Line(p, "plate plate")->rendered(), 3u);
  EXPECT_EQ(Line(p, "key")->rendered(), 3u);
  EXPECT_EQ(Line(p, "deliver matte")->total(), 3u);

  const std::string whole = d.Fetch(job, 2);
  EXPECT_EQ(whole.size(), (1u << 20) + 1000);
  EXPECT_NE(whole, d.Fetch(job, 3));
  // Resumed in the middle of a chunk, at the end, and beyond it.
  EXPECT_EQ(d.Fetch(job, 2, 1000), whole.substr(1000));
  EXPECT_EQ(d.Fetch(job, 2, whole.size() - 5), whole.substr(whole.size() - 5));
  EXPECT_EQ(d.Fetch(job, 2, whole.size()), "");
  EXPECT_TRUE(d.status.ok());
  d.Fetch(job, 2, whole.size() + 1);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::OUT_OF_RANGE);
}

TEST(Jobs, FirstChunkSaysSizeAndDigestOfTheWholeFile) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const std::string job = d.Submit(d.TwoPasses(1));
  d.WatchToEnd(job);
  const std::string whole = d.Fetch(job, 1);
  FetchRequest request;
  request.set_job_id(job);
  request.set_deliverable("matte");
  request.set_frame(1);
  request.set_offset(17);
  grpc::ClientContext context;
  auto reader = d.jobs().Fetch(&context, request);
  FileChunk chunk;
  ASSERT_TRUE(reader->Read(&chunk));
  EXPECT_EQ(chunk.size(), whole.size());
  EXPECT_EQ(chunk.digest(), Sha256(whole).str());
  while (reader->Read(&chunk)) {
  }
  EXPECT_TRUE(reader->Finish().ok());
}

// The first chunk of a fetch.
FileChunk FirstChunk(Daemon& d, const std::string& job, int frame, bool origin = true) {
  FetchRequest request;
  request.set_origin(origin);
  request.set_job_id(job);
  request.set_deliverable("matte");
  request.set_frame(frame);
  grpc::ClientContext context;
  auto reader = d.jobs().Fetch(&context, request);
  FileChunk first, more;
  EXPECT_TRUE(reader->Read(&first));
  while (reader->Read(&more)) EXPECT_FALSE(more.has_origin()) << "once is enough";
  EXPECT_TRUE(reader->Finish().ok());
  return first;
}

TEST(Jobs, AFetchedFileSaysFromWhichPlatesItWasMade) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const Stack stack = d.TwoPasses();
  const std::string job = d.Submit(stack);
  d.WatchToEnd(job);
  const std::string path = d.file("plate.0002.exr");
  const auto check = [&] {
    const FileOrigin origin = FirstChunk(d, job, 2).origin();
    EXPECT_EQ(origin.stack_name(), "shot");
    EXPECT_EQ(origin.version(), 1u);
    EXPECT_EQ(origin.key().size(), 32u);
    EXPECT_EQ(origin.made_by(), SELVAGE_VERSION);
    EXPECT_EQ(origin.more_sources(), 0u);
    ASSERT_EQ(origin.source_size(), 1) << origin.ShortDebugString();
    EXPECT_EQ(origin.source(0).plate(), "plate");
    EXPECT_EQ(origin.source(0).frame(), 2);
    EXPECT_EQ(origin.source(0).path(), path);
    EXPECT_EQ(origin.source(0).digest(), Sha256("plate 2").str());
  };
  check();
  // Also after a restart, and when something else lies there that nobody has read yet.
  d.Restart();
  check();
  d.WritePlate(2, "another plate");
  std::filesystem::last_write_time(path, std::filesystem::last_write_time(path) - std::chrono::seconds(10));
  check();
  // Once that was read nobody knows what it was before.
  FakeWorker again(d.Channel(), "again");
  const std::string second = d.Submit(stack);
  d.WatchToEnd(second);
  EXPECT_EQ(FirstChunk(d, job, 2).origin().version(), 1u);
  EXPECT_FALSE(FirstChunk(d, job, 2, false).has_origin()) << "nobody asked";
  EXPECT_EQ(FirstChunk(d, job, 2).origin().source_size(), 0);
  const FileOrigin newer = FirstChunk(d, second, 2).origin();
  EXPECT_EQ(newer.version(), 2u);
  ASSERT_EQ(newer.source_size(), 1);
  EXPECT_EQ(newer.source(0).digest(), Sha256("another plate").str());
}

TEST(Jobs, UnchangedStackRendersNothing) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  const int before = w.total();
  const JobProgress p = d.Run(d.TwoPasses());
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(Rendered(p), 0u);
  EXPECT_EQ(Reused(p), 9u);
  EXPECT_EQ(w.total(), before);
}

TEST(Jobs, LateChangeRendersOnlyWhatHangsFromIt) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  const JobProgress p = d.Run(d.TwoPasses(3, 0.3));
  EXPECT_EQ(Line(p, "key")->rendered(), 0u);
  EXPECT_EQ(Line(p, "hard")->rendered(), 3u);
  EXPECT_EQ(Line(p, "deliver matte")->rendered(), 3u);
}

TEST(Jobs, SameRequestGivesTheSameJob) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses(), "request 1");
  EXPECT_EQ(d.Submit(d.TwoPasses(), "request 1"), job);
  EXPECT_NE(d.Submit(d.TwoPasses(), "request 2"), job);
  d.Restart();
  EXPECT_EQ(d.Submit(d.TwoPasses(), "request 1"), job);
}

TEST(Jobs, HundredIdenticalSubmissionsRenderOnce) {
  Daemon d;
  std::vector<std::string> jobs;
  for (int i = 0; i < 100; ++i) jobs.push_back(d.Submit(d.TwoPasses()));
  FakeWorker w(d.Channel(), "w", 8);
  for (const std::string& job : jobs) EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(w.counts()["key"], 3);
  EXPECT_EQ(w.counts()["deliver matte"], 3);
  EXPECT_EQ(w.counts()["plate plate"], 3);
}

TEST(Jobs, UnfinishedJobGoesOnAfterARestartAndFinishedWorkStays) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses());
  {
    FakeWorker w(d.Channel(), "w", 1, [](const TaskSpec& spec) -> std::optional<TaskOutcome> {
      // Delivers nothing.
      if (spec.pass() == "deliver matte") return TaskOutcome();
      return std::nullopt;
    });
    while (w.counts()["hard"] < 1) std::this_thread::sleep_for(std::chrono::milliseconds(5));
    d.Stop();
  }
  d.Start();
  FakeWorker w(d.Channel(), "w2", 2);
  const JobProgress p = d.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_LT(w.counts()["key"], 3);
  EXPECT_EQ(w.counts()["plate plate"], 0) << "facts are remembered";
  EXPECT_FALSE(d.Fetch(job, 1).empty());
}

TEST(Jobs, FinishedJobsAreRememberedAcrossARestart) {
  Daemon d;
  std::string job, bytes;
  {
    FakeWorker w(d.Channel(), "w");
    job = d.Submit(d.TwoPasses());
    d.WatchToEnd(job);
    bytes = d.Fetch(job, 3);
  }
  d.Restart();
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(d.Fetch(job, 3), bytes);
  grpc::ClientContext context;
  ListJobsReply list;
  ASSERT_TRUE(d.jobs().ListJobs(&context, ListJobsRequest(), &list).ok());
  ASSERT_EQ(list.job_size(), 1);
  EXPECT_EQ(list.job(0).job_id(), job);
  EXPECT_EQ(list.job(0).pass_size(), 0);
  JobRef ref;
  ref.set_job_id(job);
  GetJobReply got;
  grpc::ClientContext other;
  ASSERT_TRUE(d.jobs().GetJob(&other, ref, &got).ok());
  EXPECT_EQ(got.stack().name(), "shot");
  EXPECT_GT(got.progress().pass_size(), 0);
}

ListJobsReply List(Daemon& d, const std::string& owner) {
  ListJobsRequest request;
  request.set_owner(owner);
  ListJobsReply list;
  grpc::ClientContext context;
  EXPECT_TRUE(d.jobs().ListJobs(&context, request, &list).ok());
  return list;
}

TEST(Jobs, OwnersAndTimesAreRememberedAndListedByOwner) {
  Daemon d;
  const int64_t before = Clock::Real().UnixMilliseconds();
  {
    FakeWorker w(d.Channel(), "w");
    for (const char* owner : {"jo@ws1", "mia@ws2", "jo@ws1"}) {
      SubmitRequest request;
      *request.mutable_stack() = d.TwoPasses(1);
      request.set_owner(owner);
      SubmitReply reply;
      grpc::ClientContext context;
      ASSERT_TRUE(d.jobs().Submit(&context, request, &reply).ok());
      d.WatchToEnd(reply.job_id());
    }
  }
  // One of a daemon of before there were owners.
  IndexBatch batch;
  JobProgress old;
  old.set_job_id("old");
  old.set_stack_name("shot");
  old.set_state(JOB_DONE);
  batch.values.emplace_back("job/old", old.SerializeAsString());
  ASSERT_TRUE(d.cache().index->Commit(batch).ok());
  d.Restart();
  EXPECT_EQ(List(d, "").job_size(), 4);
  EXPECT_EQ(List(d, "nobody").job_size(), 0);
  const ListJobsReply list = List(d, "jo@ws1");
  ASSERT_EQ(list.job_size(), 2);
  for (const JobProgress& p : list.job()) {
    EXPECT_EQ(p.owner(), "jo@ws1");
    EXPECT_GE(p.submitted_unix_ms(), before);
    EXPECT_GE(p.ended_unix_ms(), p.submitted_unix_ms());
  }
}

TEST(Jobs, AnOwnerOfManyBytesIsRefused) {
  Daemon d;
  SubmitRequest request;
  *request.mutable_stack() = d.TwoPasses(1);
  request.set_owner(std::string(257, 'x'));
  SubmitReply reply;
  grpc::ClientContext context;
  EXPECT_EQ(d.jobs().Submit(&context, request, &reply).error_code(), grpc::StatusCode::INVALID_ARGUMENT);
}

TEST(Jobs, CancelledJobStopsAndStaysCancelled) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses());
  JobRef ref;
  ref.set_job_id(job);
  CancelReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(d.jobs().Cancel(&context, ref, &reply).ok());
  EXPECT_EQ(reply.state(), JOB_CANCELLED);
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_CANCELLED);
  d.Restart();
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_CANCELLED);
}

TEST(Jobs, WatchEndsWithTheJobAlsoForAClientThatCameFirst) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses(1));
  JobProgress p;
  std::thread watcher([&] { p = d.WatchToEnd(job); });
  FakeWorker w(d.Channel(), "w");
  watcher.join();
  EXPECT_EQ(p.state(), JOB_DONE);
}

TEST(Jobs, FrameThatIsNotRenderedIsAPrecondition) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses());
  d.Fetch(job, 1);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  d.Fetch("nonsense", 1);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
}

TEST(Jobs, FrameOfAFinishedJobThatIsGoneSaysSo) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const std::string job = d.Submit(d.TwoPasses());
  ASSERT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  IndexBatch batch;
  const auto names = d.cache().index->FindNames("shot", "deliver matte").value();
  for (const NameRecord& n : names) {
    if (n.frame == 1) batch.forget.push_back(n.key);
  }
  ASSERT_EQ(batch.forget.size(), 1u);
  ASSERT_TRUE(d.cache().index->Commit(batch).ok());
  d.Fetch(job, 1);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  EXPECT_NE(d.status.error_message().find("no longer in the cache"), std::string::npos) << d.status.error_message();
  d.Fetch(job, 2);
  EXPECT_TRUE(d.status.ok()) << d.status.error_message();
}

TEST(Jobs, FrameOutsideTheDeliverableIsNotFound) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const std::string job = d.Submit(d.TwoPasses());
  d.WatchToEnd(job);
  d.Fetch(job, 99);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
}

TEST(Jobs, PlateOutsideTheRootsIsRefusedWithItsPlace) {
  Daemon d;
  Stack stack = d.TwoPasses();
  for (const char* path : {"/etc/plate.%04d.exr", "/etc/passwd"}) {
    stack.mutable_plate(0)->set_files(path);
    CheckRequest request;
    *request.mutable_stack() = stack;
    CheckReply reply;
    grpc::ClientContext context;
    ASSERT_TRUE(d.jobs().Check(&context, request, &reply).ok());
    ASSERT_GE(reply.error_size(), 1) << path;
    EXPECT_EQ(reply.error(0).path(), "plate[0].files");
  }
}

TEST(Jobs, SymlinkOutOfTheRootsIsRefused) {
  Daemon d;
  std::filesystem::create_symlink("/etc/passwd", d.file("link.0001.exr"));
  Stack stack = d.TwoPasses(1);
  stack.mutable_plate(0)->set_files(d.file("link.%04d.exr"));
  CheckRequest request;
  *request.mutable_stack() = stack;
  CheckReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(d.jobs().Check(&context, request, &reply).ok());
  ASSERT_EQ(reply.error_size(), 1);
  EXPECT_NE(reply.error(0).message().find("root"), std::string::npos) << reply.error(0).message();
}

TEST(Jobs, OperatorErrorEndsTheJobWithPassFrameAndReason) {
  Daemon d;
  FakeWorker w(d.Channel(), "w", 2, [](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "hard" || spec.frame() != 2) return std::nullopt;
    TaskOutcome o;
    o.mutable_error()->set_message("the box lies outside the picture");
    return o;
  });
  const std::string job = d.Submit(d.TwoPasses());
  const JobProgress p = d.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_FAILED);
  ASSERT_EQ(p.problem_size(), 1) << p.DebugString();
  EXPECT_EQ(p.problem(0), "pass \"hard\" frame 2: the box lies outside the picture");
  EXPECT_EQ(Line(p, "hard")->failed(), 1u);
  // The other frames are there.
  EXPECT_FALSE(d.Fetch(job, 1).empty());
  EXPECT_FALSE(d.Fetch(job, 3).empty());
  d.Fetch(job, 2);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::FAILED_PRECONDITION);
}

TEST(Jobs, PlateThatCannotBeReadIsAnErrorOfTheStack) {
  Daemon d;
  FakeWorker w(d.Channel(), "w", 2, [](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (!spec.has_inspect()) return std::nullopt;
    TaskOutcome o;
    o.mutable_error()->set_message("not a picture");
    return o;
  });
  const JobProgress p = d.Run(d.TwoPasses());
  EXPECT_EQ(p.state(), JOB_FAILED);
  ASSERT_EQ(p.error_size(), 3) << p.DebugString();
  EXPECT_EQ(p.error(0).path(), "plate[0].files");
  EXPECT_EQ(p.error(0).message(), "plate \"plate\" frame 1: not a picture");
}

TEST(Plans, SayWhatWouldBeRenderedAndWhy) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  PlanReply plan = d.Plan(d.TwoPasses());
  ASSERT_TRUE(d.status.ok()) << d.status.error_message();
  ASSERT_EQ(plan.pass_size(), 3) << plan.DebugString();
  EXPECT_EQ(plan.pass(0).render(), 3u);
  ASSERT_EQ(plan.pass(0).reason_size(), 1);
  EXPECT_EQ(w.counts().count("key"), 0u) << "a plan renders nothing";
  d.Run(d.TwoPasses());
  plan = d.Plan(d.TwoPasses());
  for (const PassPlan& p : plan.pass()) EXPECT_EQ(p.render(), 0u) << p.DebugString();
  plan = d.Plan(d.TwoPasses(3, 0.4));
  EXPECT_EQ(plan.pass(0).render(), 0u);
  EXPECT_EQ(plan.pass(1).render(), 3u);
  ASSERT_EQ(plan.pass(1).reason_size(), 1) << plan.DebugString();
  EXPECT_EQ(plan.pass(1).reason(0).text(), "levels.black 0.2 -> 0.4");
  EXPECT_EQ(plan.pass(1).reason(0).frame_size(), 3);
  EXPECT_EQ(plan.pass(2).reason(0).pass(), "hard") << plan.DebugString();
}

TEST(Plans, WithoutAWorkerAreGivenUpInsteadOfHanging) {
  Daemon d;
  d.Plan(d.TwoPasses());
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::UNAVAILABLE);
}

TEST(Invalidation, RendersThePassAgainAndCutsOffWhatComesOutTheSame) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const std::string old_job = d.Submit(d.TwoPasses());
  d.WatchToEnd(old_job);
  InvalidateRequest request;
  request.set_stack_name("shot");
  request.set_pass("key");
  request.mutable_frames()->set_first(2);
  request.mutable_frames()->set_last(2);
  InvalidateReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(d.jobs().Invalidate(&context, request, &reply).ok());
  EXPECT_GT(reply.epoch(), 0u);
  EXPECT_EQ(d.Fetch(old_job, 2), "") << "nothing from before the invalidation is served";
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::FAILED_PRECONDITION);

  const PlanReply plan = d.Plan(d.TwoPasses());
  EXPECT_EQ(plan.pass(0).render(), 1u);
  EXPECT_NE(plan.pass(0).reason(0).text().find("invalidated"), std::string::npos) << plan.DebugString();
  d.Restart();
  FakeWorker again(d.Channel(), "w2");
  const JobProgress p = d.Run(d.TwoPasses());
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(Line(p, "key")->rendered(), 1u) << "also after a restart";
  EXPECT_EQ(Line(p, "hard")->rendered(), 0u) << "same bytes in, nothing to do";
}

TEST(Invalidation, OfARunningJobIsHeededByIt) {
  Daemon d;
  std::atomic<bool> hold{true};
  const auto slow = [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    while (hold && spec.pass() == "hard") std::this_thread::sleep_for(std::chrono::milliseconds(5));
    return std::nullopt;
  };
  FakeWorker w(d.Channel(), "w", 4, slow);
  const std::string job = d.Submit(d.TwoPasses(1));
  while (w.counts()["key"] < 1) std::this_thread::sleep_for(std::chrono::milliseconds(5));
  InvalidateRequest request;
  request.set_stack_name("shot");
  request.set_pass("key");
  InvalidateReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(d.jobs().Invalidate(&context, request, &reply).ok());
  hold = false;
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(w.counts()["key"], 2);
}

TEST(Invalidation, OfSomethingUnknownIsNotFound) {
  Daemon d;
  InvalidateRequest request;
  request.set_stack_name("nobody");
  InvalidateReply reply;
  grpc::ClientContext context;
  EXPECT_EQ(d.jobs().Invalidate(&context, request, &reply).error_code(), grpc::StatusCode::NOT_FOUND);
}

std::pair<grpc::Status, std::string> LookAt(Daemon& d, const Stack& stack, const std::string& pass, int frame) {
  LookRequest request;
  *request.mutable_stack() = stack;
  request.set_pass(pass);
  request.set_frame(frame);
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(30));
  auto reader = d.jobs().Look(&context, request);
  FileChunk chunk;
  std::string bytes;
  while (reader->Read(&chunk)) {
    bytes += chunk.data();
    for (const StackError& e : chunk.error()) bytes += e.message();
  }
  return {reader->Finish(), bytes};
}

TEST(Looks, RenderOnePassAtOneFrame) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const auto [status, bytes] = LookAt(d, d.TwoPasses(), "key", 2);
  ASSERT_TRUE(status.ok()) << status.error_message();
  EXPECT_EQ(bytes.size(), (1u << 20) + 1000);
  EXPECT_EQ(w.counts()["key"], 1);
  EXPECT_EQ(w.counts().count("hard"), 0u);
  grpc::ClientContext context;
  ListJobsReply list;
  ASSERT_TRUE(d.jobs().ListJobs(&context, ListJobsRequest(), &list).ok());
  EXPECT_EQ(list.job_size(), 0) << "a look is no job";
}

TEST(Looks, SayWhatIsWrong) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  EXPECT_EQ(LookAt(d, d.TwoPasses(), "nowhere", 2).first.error_code(), grpc::StatusCode::NOT_FOUND);
  EXPECT_EQ(LookAt(d, d.TwoPasses(), "key", 77).first.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
}

TEST(CacheInfo, CountsResultsOfAStackByPass) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  CacheInfoRequest request;
  request.set_stack_name("shot");
  CacheInfoReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(d.jobs().CacheInfo(&context, request, &reply).ok());
  EXPECT_EQ(reply.results(), 9u);
  ASSERT_EQ(reply.pass_size(), 3) << reply.DebugString();
  for (const auto& line : reply.pass()) EXPECT_EQ(line.frames(), 3u);
  EXPECT_EQ(reply.misses(), 9u);
}

TEST(Shutdown, EndsUnderAHundredOpenStreams) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses());
  std::vector<std::unique_ptr<grpc::ClientContext>> contexts;
  std::vector<std::unique_ptr<grpc::ClientReader<JobProgress>>> readers;
  WatchRequest request;
  request.set_job_id(job);
  for (int i = 0; i < 100; ++i) {
    contexts.push_back(std::make_unique<grpc::ClientContext>());
    readers.push_back(d.jobs().Watch(contexts.back().get(), request));
    JobProgress p;
    ASSERT_TRUE(readers.back()->Read(&p));
  }
  const auto begun = std::chrono::steady_clock::now();
  d.Stop();
  EXPECT_LT(std::chrono::steady_clock::now() - begun, std::chrono::seconds(10));
  for (auto& r : readers) {
    JobProgress p;
    while (r->Read(&p)) {
    }
    EXPECT_EQ(r->Finish().error_code(), grpc::StatusCode::UNAVAILABLE);
  }
}

}  // namespace
}  // namespace selvage
