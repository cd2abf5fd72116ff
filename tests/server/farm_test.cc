// Workers over the network: crashes, lost tiles, changed plates, forgeries.
#include <thread>

#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

void Wait(const std::function<bool()>& until) {
  for (int i = 0; i < 4000 && !until(); ++i) std::this_thread::sleep_for(std::chrono::milliseconds(5));
}

TEST(Farm, WorkerOfAnotherVersionIsSentAway) {
  Daemon d;
  FakeWorker w(d.Channel(), "w", 1, nullptr, "0.0.1");
  EXPECT_EQ(w.WaitForEnd().error_code(), grpc::StatusCode::FAILED_PRECONDITION);
}

TEST(Farm, TasksOfAKilledWorkerGoToAnother) {
  Daemon d;
  std::atomic<int> swallowed{0};
  FakeWorker dying(d.Channel(), "dying", 2, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.has_inspect()) return std::nullopt;
    ++swallowed;
    return TaskOutcome();
  });
  const std::string job = d.Submit(d.TwoPasses());
  Wait([&] { return swallowed > 0; });
  dying.Kill();
  FakeWorker w(d.Channel(), "w");
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
}

// Takes one task and is killed with it.
void LoseAWorker(Daemon& d, const std::string& id) {
  std::atomic<bool> swallowed{false};
  FakeWorker w(d.Channel(), id, 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.has_inspect()) return std::nullopt;
    swallowed = true;
    return TaskOutcome();
  });
  Wait([&] { return swallowed.load(); });
  ASSERT_TRUE(swallowed) << id;
  w.Kill();
}

TEST(Farm, AFarmWhoseWorkersAreKilledOneAfterAnotherLosesNoJob) {
  Daemon d;
  const std::string job = d.Submit(d.TwoPasses(1));
  for (const char* id : {"u", "v", "w"}) LoseAWorker(d, id);
  FakeWorker well(d.Channel(), "well");
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
}

WorkersReply WorkersOf(Daemon& d) {
  WorkersReply reply;
  grpc::ClientContext context;
  EXPECT_TRUE(d.jobs().Workers(&context, WorkersRequest(), &reply).ok());
  return reply;
}

TEST(Farm, SaysHowManySlotsItsWorkIsWorth) {
  Daemon d;
  EXPECT_EQ(WorkersOf(d).wanted_slots(), 0u);
  const std::string first = d.Submit(d.TwoPasses(3));
  Wait([&] { return WorkersOf(d).ready_tasks() > 0; });
  // Three plates that nobody has read: how long that takes is not known.
  EXPECT_EQ(WorkersOf(d).ready_tasks(), 3u);
  EXPECT_EQ(WorkersOf(d).wanted_slots(), 3u);
  EXPECT_EQ(WorkersOf(d).waiting_seconds(), 0);
  {
    FakeWorker w(d.Channel(), "w");
    EXPECT_EQ(d.WatchToEnd(first).state(), JOB_DONE);
    EXPECT_EQ(WorkersOf(d).wanted_slots(), 0u);
    w.Kill();
  }
  // The plates are known, and that such tasks take no time worth mentioning.
  d.Submit(d.TwoPasses(3, 0.3));
  Wait([&] { return WorkersOf(d).ready_tasks() > 0; });
  const WorkersReply again = WorkersOf(d);
  EXPECT_EQ(again.ready_tasks(), 3u);
  EXPECT_GT(again.waiting_seconds(), 0);
  EXPECT_LT(again.waiting_seconds(), 10);
  EXPECT_EQ(again.wanted_slots(), 1u);
}

// Of one on the daemon's own machine it is known at once that it has ended, and how.
TEST(Farm, TaskThatCrashesTheLocalWorkerThreeTimesIsGivenUpWithItsFile) {
  Daemon d;
  d.Stop();
  d.options.reconnect_seconds = 3600;  // is not waited for
  d.Start();
  const std::string job = d.Submit(d.TwoPasses(1));
  for (int crash = 0; crash < 3; ++crash) {
    std::atomic<bool> swallowed{false};
    FakeWorker w(d.Channel(), absl::StrCat("local-", crash), 1,
                 [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
                   if (spec.has_inspect()) return std::nullopt;
                   swallowed = true;
                   return TaskOutcome();
                 });
    Wait([&] { return swallowed.load(); });
    ASSERT_TRUE(swallowed) << crash;
    if (crash != 1) w.Kill();  // else the end is known before the connection breaks
    d.engine().WorkerEnded(absl::StrCat("local-", crash), true);
  }
  const JobProgress p = d.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_FAILED);
  ASSERT_GT(p.problem_size(), 0);
  const std::string said = p.problem(p.problem_size() - 1);
  EXPECT_NE(said.find("3 different workers"), std::string::npos) << said;
  EXPECT_NE(said.find(d.file("plate.0001.exr")), std::string::npos) << said;
}

// What it said before it ended may be read after that.
TEST(Farm, ReportOfALocalWorkerThatHasEndedIsNotListenedTo) {
  Daemon d;
  d.Stop();
  d.options.reconnect_seconds = 3600;
  d.Start();
  const std::string job = d.Submit(d.TwoPasses(1));
  std::atomic<int> swallowed{0};
  FakeWorker dead(d.Channel(), "local", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.has_inspect()) return std::nullopt;
    ++swallowed;
    return TaskOutcome();
  });
  Wait([&] { return swallowed == 1; });
  d.engine().WorkerEnded("local", false);
  for (int i = 0; i < 5; ++i) dead.Report();
  FakeWorker well(d.Channel(), "well");
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(swallowed, 1);
}

TEST(Farm, LocalWorkerThatIsKilledCostsNoMoreThanItsTasks) {
  Daemon d;
  d.Stop();
  d.options.reconnect_seconds = 3600;
  d.Start();
  const std::string job = d.Submit(d.TwoPasses(1));
  for (int killed = 0; killed < 5; ++killed) {
    const std::string id = absl::StrCat("local-", killed);
    LoseAWorker(d, id);
    d.engine().WorkerEnded(id, false);
    d.engine().WorkerEnded("of another name", true);
  }
  FakeWorker well(d.Channel(), "well");
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
}

TEST(Farm, TaskThatEndsEveryWorkerItIsGivenIsGivenUp) {
  Daemon d;
  d.Stop();
  d.options.scheduler.losses_until_abandoned = 4;
  d.options.scheduler.longest_loss_pause = 0.1;
  d.Start();
  const std::string job = d.Submit(d.TwoPasses(1));
  for (const char* id : {"s", "t", "u", "v"}) LoseAWorker(d, id);
  const JobProgress p = d.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_FAILED);
  ASSERT_GT(p.problem_size(), 0);
  EXPECT_NE(p.problem(p.problem_size() - 1).find("4 different workers"), std::string::npos) << p.DebugString();
}

TEST(Farm, TilesThatAreNotThereAreAskedFor) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  w.lazy = true;
  const std::string job = d.Submit(d.TwoPasses());
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_FALSE(d.Fetch(job, 1).empty());
}

TEST(Farm, LostInputIsRenderedAgain) {
  Daemon d;
  std::atomic<int> lost{0};
  FakeWorker w(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "hard" || lost > 0) return std::nullopt;
    ++lost;
    // As if the tile's bytes had gone.
    const std::vector<Digest> digests = StoredDigests(spec.input(0).stored());
    EXPECT_TRUE(d.cache().tiles->Delete(digests).ok());
    TaskOutcome o;
    o.mutable_error()->set_class_(TaskError::INPUT_LOST);
    o.mutable_error()->set_input(0);
    return o;
  });
  const JobProgress p = d.Run(d.TwoPasses(1));
  EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(w.counts()["key"], 2);
}

TEST(Farm, DamagedTileIsRenderedAgainAndReplaced) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const std::string job = d.Submit(d.TwoPasses(1));
  d.WatchToEnd(job);
  const std::string bytes = d.Fetch(job, 1);
  ASSERT_FALSE(bytes.empty());
  ASSERT_TRUE(d.cache().tiles->Delete(std::vector<Digest>{Sha256(bytes.substr(1 << 20))}).ok());
  EXPECT_EQ(d.Fetch(job, 1), "");
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::DATA_LOSS);
  // The damage is noticed once; then it is a miss like any other.
  const JobProgress p = d.Run(d.TwoPasses(1));
  EXPECT_EQ(Line(p, "deliver matte")->rendered(), 1u);
  EXPECT_EQ(Line(p, "hard")->rendered(), 0u);
  EXPECT_EQ(d.Fetch(p.job_id(), 1), bytes);
}

TEST(Farm, PlateThatChangedIsInspectedAgainAndTheJobPlannedAnew) {
  Daemon d;
  std::atomic<bool> changed{false};
  std::string rendered_with;
  FakeWorker w(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "key") return std::nullopt;
    rendered_with = spec.input(0).plate().digest();
    if (changed) return std::nullopt;
    d.WritePlate(1, "another picture of the same name");
    changed = true;
    TaskOutcome o;
    o.mutable_error()->set_class_(TaskError::PLATE_CHANGED);
    o.mutable_error()->set_message("plate.0001.exr changed");
    return o;
  });
  const JobProgress p = d.Run(d.TwoPasses(1));
  EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(rendered_with, Sha256("another picture of the same name").str());
}

TEST(Farm, PlateReplacedBetweenJobsIsNeverStale) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses(2));
  d.WritePlate(2, "plate Z");  // as long as before
  const JobProgress p = d.Run(d.TwoPasses(2));
  EXPECT_EQ(Line(p, "key")->rendered(), 1u) << p.DebugString();
  EXPECT_EQ(Line(p, "key")->reused(), 1u);
}

TEST(Farm, SetbackIsTriedAgainAndShown) {
  Daemon d;
  std::atomic<int> setbacks{0};
  FakeWorker w(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "hard" || setbacks++ > 0) return std::nullopt;
    TaskOutcome o;
    o.mutable_error()->set_class_(TaskError::INFRASTRUCTURE);
    o.mutable_error()->set_message("no memory");
    return o;
  });
  const JobProgress p = d.Run(d.TwoPasses(1));
  EXPECT_EQ(p.state(), JOB_DONE);
  ASSERT_EQ(p.problem_size(), 1);
  EXPECT_EQ(p.problem(0), "pass \"hard\" frame 1: no memory (will be tried again)");
}

// Of "key" at frame 2: told by the job that renders it, by one that finds what is
// made of it, and under the name that the pass has by then.
TEST(Farm, WarningsStayWithWhatTheyAreOf) {
  Daemon d;
  FakeWorker w(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "key" || spec.frame() != 2) return std::nullopt;
    TaskOutcome o;
    o.add_warning("the box has texture in it");
    return o;
  });
  const auto warnings = [](const JobProgress& p) {
    std::string all;
    for (const JobWarning& r : p.warning()) {
      all += r.pass() + ":";
      for (int frame : r.frame()) all += " " + std::to_string(frame);
      all += " " + r.text() + "\n";
    }
    return all;
  };
  const std::string expected = "key: 2 the box has texture in it\n";
  const JobProgress first = d.Run(d.TwoPasses());
  EXPECT_EQ(first.state(), JOB_DONE) << first.DebugString();
  EXPECT_EQ(warnings(first), expected);
  const JobProgress again = d.Run(d.TwoPasses());
  EXPECT_EQ(Rendered(again), 0u);
  EXPECT_EQ(warnings(again), expected);
  EXPECT_EQ(warnings(d.Run(d.TwoPasses(3, 0.3))), expected) << "only what hangs from it is new";
  d.Restart();
  FakeWorker v(d.Channel(), "v");
  EXPECT_EQ(warnings(d.Run(d.TwoPasses())), expected) << "after a restart";
}

TEST(Farm, WorkersAreListed) {
  Daemon d;
  FakeWorker w(d.Channel(), "the worker", 7);
  WorkersReply reply;
  Wait([&] {
    grpc::ClientContext context;
    return d.jobs().Workers(&context, WorkersRequest(), &reply).ok() && reply.worker_size() == 1;
  });
  ASSERT_EQ(reply.worker_size(), 1);
  EXPECT_EQ(reply.worker(0).name(), "the worker");
  EXPECT_EQ(reply.worker(0).slots(), 7u);
  w.Kill();
  Wait([&] {
    grpc::ClientContext context;
    return d.jobs().Workers(&context, WorkersRequest(), &reply).ok() && reply.worker_size() == 0;
  });
  EXPECT_EQ(reply.worker_size(), 0);
}

TEST(Forgery, OutcomesThatNobodyAskedForAreNotStored) {
  Daemon d;
  auto farm = FarmService::NewStub(d.Channel());
  const auto finish = [&](const TaskOutcome& o) {
    grpc::ClientContext context;
    FinishReply reply;
    return farm->Finish(&context, o, &reply);
  };
  TaskOutcome o;
  o.set_key("short");
  EXPECT_EQ(finish(o).error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  o.set_key(std::string(32, 'k'));
  EXPECT_EQ(finish(o).error_code(), grpc::StatusCode::INVALID_ARGUMENT) << "no result";
  Manifest* m = o.mutable_manifest();
  m->set_kind(MATTE);
  EXPECT_EQ(finish(o).error_code(), grpc::StatusCode::INVALID_ARGUMENT) << "no manifest at all";
  m->mutable_window()->set_width(64);
  m->mutable_window()->set_height(64);
  m->add_channel("A");
  AppendTile(m, {.constant = true, .value = 0.5f});
  EXPECT_TRUE(finish(o).ok());
  EXPECT_EQ(d.cache().index->CountResults(), 0u);
}

TEST(Forgery, TilesThatDoNotMatchTheirDigestAreRefused) {
  Daemon d;
  auto cache = CacheService::NewStub(d.Channel());
  grpc::ClientContext context;
  WriteTilesReply reply;
  auto writer = cache->WriteTiles(&context, &reply);
  WriteTilesRequest request;
  request.add_tile()->set_digest(Sha256("what it says").str());
  request.mutable_tile(0)->set_data(EncodeTile("something else"));
  writer->Write(request);
  writer->WritesDone();
  EXPECT_EQ(writer->Finish().error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  FindMissingRequest find;
  find.add_digest(Sha256("what it says").str());
  FindMissingReply missing;
  grpc::ClientContext other;
  ASSERT_TRUE(cache->FindMissing(&other, find, &missing).ok());
  EXPECT_EQ(missing.digest_size(), 1);
}

TEST(Tiles, TravelInMessagesOfAboutAMegabyteInTheOrderAskedFor) {
  Daemon d;
  auto cache = CacheService::NewStub(d.Channel());
  std::vector<StoredTile> tiles;
  std::string noise;
  uint32_t state = 1;
  for (int i = 0; i < 40; ++i) {
    noise.clear();
    for (int b = 0; b < 100'000; ++b)
      noise.push_back(static_cast<char>((state = state * 1664525u + 1013904223u) >> 24));
    tiles.push_back({Sha256(noise), EncodeTile(noise)});
  }
  ASSERT_TRUE(d.cache().tiles->Put(tiles).ok());
  ReadTilesRequest request;
  for (const StoredTile& t : tiles) request.add_digest(t.digest.str());
  request.add_digest(Sha256("never stored").str());
  grpc::ClientContext context;
  auto reader = cache->ReadTiles(&context, request);
  ReadTilesReply reply;
  size_t at = 0, missing = 0;
  while (reader->Read(&reply)) {
    EXPECT_LT(reply.ByteSizeLong(), 2u << 20);
    for (const TileBytes& t : reply.tile()) {
      ASSERT_LT(at, tiles.size());
      EXPECT_EQ(t.digest(), tiles[at].digest.str());
      EXPECT_EQ(t.data(), tiles[at++].data);
    }
    missing += static_cast<size_t>(reply.missing_size());
  }
  EXPECT_TRUE(reader->Finish().ok());
  EXPECT_EQ(at, tiles.size());
  EXPECT_EQ(missing, 1u);
}

}  // namespace
}  // namespace selvage
