// What is kept, what is disowned, and why: over the network.
#include <algorithm>
#include <atomic>
#include <map>
#include <optional>
#include <thread>

#include "cache/manifest.h"
#include "cache/memory_result_index.h"
#include "server/engine/keep_table.h"
#include "server/engine/plan_pins.h"
#include "server/engine/unfetched.h"
#include "tests/cache/cache_testing.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

WhyReply Why(Daemon& d, const Stack& stack, const std::string& pass, std::optional<int> frame = {}) {
  WhyRequest request;
  *request.mutable_stack() = stack;
  request.set_pass(pass);
  if (frame) request.set_frame(*frame);
  WhyReply reply;
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(30));
  d.status = d.jobs().Why(&context, request, &reply);
  return reply;
}

InvalidateReply Invalidate(Daemon& d, const InvalidateRequest& request) {
  InvalidateReply reply;
  grpc::ClientContext context;
  d.status = d.jobs().Invalidate(&context, request, &reply);
  return reply;
}

CacheInfoReply Info(Daemon& d) {
  CacheInfoRequest request;
  request.set_stack_name("shot");
  CacheInfoReply reply;
  grpc::ClientContext context;
  EXPECT_TRUE(d.jobs().CacheInfo(&context, request, &reply).ok());
  return reply;
}

TEST(Why, NamesTheFirstThingThatDiffersFromTheLastSubmission) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  WhyReply why = Why(d, d.TwoPasses(), "hard");
  ASSERT_EQ(why.reason_size(), 1) << why.DebugString();
  EXPECT_EQ(why.reason(0).text(), "not rendered before");
  EXPECT_EQ(why.reason(0).frame_size(), 3);
  EXPECT_EQ(w.counts().count("key"), 0u) << "asking renders nothing";

  d.Run(d.TwoPasses());
  why = Why(d, d.TwoPasses(), "hard", 2);
  ASSERT_EQ(why.reason_size(), 1);
  EXPECT_EQ(why.reason(0).text(), "nothing changed: would be reused");
  EXPECT_TRUE(why.reason(0).reused());
  why = Why(d, d.TwoPasses(3, 0.45), "deliver matte", 2);
  ASSERT_EQ(why.reason_size(), 1);
  EXPECT_EQ(why.reason(0).pass(), "hard");
  EXPECT_EQ(why.reason(0).text(), "levels.black 0.2 -> 0.45");
  EXPECT_FALSE(why.reason(0).reused());

  // Also by a daemon that was started since.
  d.Restart();
  FakeWorker again(d.Channel(), "w2");
  EXPECT_EQ(Why(d, d.TwoPasses(3, 0.45), "hard", 2).reason(0).text(), "levels.black 0.2 -> 0.45");
  d.WritePlate(2, "reshot");
  why = Why(d, d.TwoPasses(), "hard");
  ASSERT_EQ(why.reason_size(), 2) << why.DebugString();
  EXPECT_EQ(why.reason(1).pass(), "key");
  EXPECT_EQ(why.reason(1).text(), "plate \"plate\": file contents changed");
  ASSERT_EQ(why.reason(1).frame_size(), 1);
  EXPECT_EQ(why.reason(1).frame(0), 2);
}

// Looks with other settings come in between.
TEST(Why, ComparesWithTheLastSubmissionNotWithTheLastLook) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  LookRequest request;
  *request.mutable_stack() = d.TwoPasses(3, 0.3);
  request.set_pass("hard");
  request.set_frame(2);
  grpc::ClientContext context;
  auto reader = d.jobs().Look(&context, request);
  FileChunk chunk;
  while (reader->Read(&chunk)) {
  }
  ASSERT_TRUE(reader->Finish().ok());
  EXPECT_EQ(Why(d, d.TwoPasses(3, 0.4), "hard", 2).reason(0).text(), "levels.black 0.2 -> 0.4");
  const WhyReply looked = Why(d, d.TwoPasses(3, 0.3), "hard", 2);
  EXPECT_EQ(looked.reason(0).text().find("levels.black 0.2 -> 0.3"), 0u) << looked.DebugString();
  EXPECT_TRUE(looked.reason(0).reused());
}

TEST(Why, SaysWhoInvalidatedAndWhatWasEvicted) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  InvalidateRequest request;
  request.set_stack_name("shot");
  request.set_pass("key");
  request.mutable_frames()->set_first(3);
  request.mutable_frames()->set_last(3);
  request.set_by("jo");
  Invalidate(d, request);
  ASSERT_TRUE(d.status.ok());
  const WhyReply why = Why(d, d.TwoPasses(), "hard", 3);
  EXPECT_EQ(why.reason(0).pass(), "key");
  EXPECT_NE(why.reason(0).text().find("invalidated by jo, "), std::string::npos) << why.DebugString();

  const auto names = d.cache().index->FindNames("shot", "key").value();
  IndexBatch batch;
  for (const NameRecord& n : names) {
    if (n.frame == 1) batch.forget.push_back(n.key);
  }
  ASSERT_EQ(batch.forget.size(), 1u);
  ASSERT_TRUE(d.cache().index->Commit(batch).ok());
  EXPECT_EQ(Why(d, d.TwoPasses(), "key", 1).reason(0).text(), "evicted from the cache");
}

std::vector<ResultKey> KeysOf(int first, int last) {
  std::vector<ResultKey> keys;
  for (int i = first; i < last; ++i) keys.push_back({Sha256(absl::StrCat("deliverable ", i))});
  return keys;
}

TEST(Unfetched, DeliverablesAreHeldUntilTheyAreFetchedOrSubmittedAgain) {
  std::map<ResultKey, int> pins;
  Unfetched unfetched([&](const std::vector<ResultKey>& keys) {
    for (const ResultKey& k : keys) --pins[k];
  });
  const auto hold = [&](const std::string& stack, const std::vector<ResultKey>& keys) {
    for (const ResultKey& k : keys) ++pins[k];
    unfetched.Hold(stack, keys);
  };
  const auto held = [&] { return std::count_if(pins.begin(), pins.end(), [](const auto& p) { return p.second > 0; }); };
  hold("a", KeysOf(0, 4));
  hold("b", KeysOf(2, 6));
  EXPECT_EQ(held(), 6);
  unfetched.Fetched(KeysOf(2, 3)[0]);
  EXPECT_EQ(pins[KeysOf(2, 3)[0]], 0) << "of both stacks";
  unfetched.Fetched(KeysOf(90, 91)[0]);
  EXPECT_EQ(held(), 5);
  hold("a", KeysOf(4, 8));
  EXPECT_EQ(held(), 5) << "0 and 1 are let go, 3 is still b's";
  EXPECT_TRUE(unfetched.GiveWay());
  EXPECT_EQ(pins[KeysOf(3, 4)[0]], 0) << "b was first";
  EXPECT_EQ(held(), 4);
  EXPECT_TRUE(unfetched.GiveWay());
  EXPECT_FALSE(unfetched.GiveWay());
  for (const auto& [key, n] : pins) EXPECT_EQ(n, 0);
}

// Dearer than anything that a fake worker makes; then evicts.
void FillWithOthers(Daemon& d, int first, int count) {
  IndexBatch batch;
  for (int i = first; i < first + count; ++i) {
    const std::vector<StoredTile> tiles = {NoiseTile(i, 10'000)};
    ASSERT_TRUE(d.cache().tiles->Put(tiles).ok());
    batch.results.emplace_back(ResultKey{Sha256(absl::StrCat("other ", i))}, RecordOf(tiles, 1e6));
  }
  ASSERT_TRUE(d.cache().index->Commit(batch).ok());
  ASSERT_TRUE(d.cache().evictor->RunOnce().ok());
}

TEST(Unfetched, WhatAJobDeliversOutlivesAnEvictionBeforeTheFetch) {
  Daemon d({.cache_bytes = 100'000});
  FakeWorker w(d.Channel(), "w");
  const JobProgress p = d.Run(d.TwoPasses());
  ASSERT_EQ(p.state(), JOB_DONE);
  d.FinishPosted();
  FillWithOthers(d, 0, 9);
  EXPECT_GT(d.cache().evictor->evicted(), 0u);
  std::vector<ResultKey> keys;
  const auto names = d.cache().index->FindNames("shot", "deliver matte").value();
  for (const NameRecord& n : names) keys.push_back(n.key);
  ASSERT_EQ(keys.size(), 3u);
  const auto there = [&] {
    const auto records = d.cache().index->Find(keys).value();
    return std::count_if(records.begin(), records.end(), [](const auto& r) { return r.has_value(); });
  };
  EXPECT_EQ(there(), 3);
  EXPECT_FALSE(d.Fetch(p.job_id(), 1).empty());
  EXPECT_FALSE(d.Fetch(p.job_id(), 2).empty());
  FillWithOthers(d, 9, 3);
  EXPECT_EQ(there(), 1) << "what was fetched is like everything else";
  EXPECT_FALSE(d.Fetch(p.job_id(), 3).empty());
}

TEST(Why, SaysWhatIsWrong) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  Why(d, d.TwoPasses(), "nowhere");
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND) << d.status.error_message();
  Why(d, d.TwoPasses(), "key", 77);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  Stack bad = d.TwoPasses();
  bad.mutable_pass(1)->set_from("nothing");
  EXPECT_EQ(Why(d, bad, "key").error_size(), 1);
}

TEST(Invalidation, WithDependentsEverythingBelowIsRenderedAgain) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  InvalidateRequest request;
  request.set_stack_name("shot");
  request.set_pass("key");
  request.mutable_frames()->set_first(2);
  request.mutable_frames()->set_last(3);
  request.set_with_dependents(true);
  Invalidate(d, request);
  ASSERT_TRUE(d.status.ok());
  d.Restart();
  FakeWorker again(d.Channel(), "w2");
  const JobProgress p = d.Run(d.TwoPasses());
  for (const std::string pass : {"key", "hard", "deliver matte"}) {
    EXPECT_EQ(Line(p, pass)->rendered(), 2u) << pass << ", although the pixels above are the same";
    EXPECT_EQ(Line(p, pass)->reused(), 1u) << pass;
  }
}

// A worker whose results are wrong, and one below that used them in good faith.
TEST(Invalidation, OfASickWorkersResultsReachesWhatWasMadeOfThem) {
  Daemon d;
  std::string old_job;
  {
    FakeWorker sick(d.Channel(), "sick:1", 2);
    Stack first = d.TwoPasses();
    first.mutable_deliver(0)->set_from("key");
    ASSERT_EQ(d.WatchToEnd(d.Submit(first)).state(), JOB_DONE);
  }
  {
    FakeWorker well(d.Channel(), "well:1", 2);
    old_job = d.Submit(d.TwoPasses());
    ASSERT_EQ(d.WatchToEnd(old_job).state(), JOB_DONE);
  }
  InvalidateRequest request;
  request.set_worker("nobody");
  Invalidate(d, request);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
  request.set_worker("sick");
  request.set_since_unix_ms(Clock::Real().UnixMilliseconds() + 3600'000);
  Invalidate(d, request);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND) << "nothing was made that late";
  request.set_since_unix_ms(Clock::Real().UnixMilliseconds() - 3600'000);
  EXPECT_EQ(Invalidate(d, request).results(), 6u) << "key, and what was delivered of it, at three frames";
  ASSERT_TRUE(d.status.ok()) << d.status.error_message();
  EXPECT_EQ(d.Fetch(old_job, 2), "") << "nothing from before is served";
  EXPECT_NE(Why(d, d.TwoPasses(), "hard", 2).reason(0).text().find("invalidated with what sick made"),
            std::string::npos);

  // As if the sick worker's pixels had been others: what hangs from them is
  // found only if they come out the same.
  d.Restart();
  FakeWorker w(d.Channel(), "w");
  const JobProgress p = d.Run(d.TwoPasses());
  EXPECT_EQ(Line(p, "key")->rendered(), 3u) << "also after a restart";
  EXPECT_EQ(Line(p, "hard")->rendered(), 0u) << "the same bytes came out, so what was made of them is good";
  EXPECT_EQ(Rendered(d.Run(d.TwoPasses())), 0u);
}

// Tiles go from result to result; who made them goes with them.
TEST(Invalidation, OfASickWorkersResultsReachesWhatTookTilesOverFromThem) {
  Daemon d;
  std::atomic<int> taken{0};
  const auto take_over = [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "hard" || !spec.has_earlier()) return std::nullopt;
    ++taken;
    TaskOutcome outcome;
    *outcome.mutable_manifest() = spec.earlier().manifest();
    outcome.set_tile_keys(spec.earlier().tile_keys());
    outcome.set_tiles_reused(1);
    *outcome.mutable_maker() = spec.earlier().maker();
    return outcome;
  };
  {
    FakeWorker sick(d.Channel(), "sick:1");
    d.Run(d.TwoPasses(1));
  }
  FakeWorker well(d.Channel(), "well:1", 2, take_over);
  // By way of a third, which has nothing of the sick one's own hand.
  d.Run(d.TwoPasses(1, 0.3));
  d.Run(d.TwoPasses(1, 0.4));
  ASSERT_EQ(taken, 2);
  InvalidateRequest request;
  request.set_worker("sick");
  EXPECT_EQ(Invalidate(d, request).results(), 7u) << "key; hard and what was delivered of it, three times";
  d.Restart();
  FakeWorker again(d.Channel(), "well:2", 2, take_over);
  EXPECT_EQ(Line(d.Run(d.TwoPasses(1, 0.4)), "hard")->rendered(), 1u);
  EXPECT_EQ(taken, 2) << "tiles of disowned results are not handed out";
  d.Run(d.TwoPasses(1, 0.5));
  EXPECT_EQ(taken, 3) << "those that were made anew are";
  request.set_worker("well:2");
  EXPECT_EQ(Invalidate(d, request).results(), 5u);
}

TEST(Invalidation, OfAWorkerCoversWhatItIsRendering) {
  Daemon d;
  std::atomic<bool> hold{true}, out{false};
  std::atomic<int> held{0};
  const auto slow = [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    // Gets nothing more done.
    if (out) return TaskOutcome();
    if (spec.pass() == "hard") ++held;
    while (hold && spec.pass() == "hard") std::this_thread::sleep_for(std::chrono::milliseconds(5));
    return std::nullopt;
  };
  FakeWorker sick(d.Channel(), "sick:1", 4, slow);
  const std::string job = d.Submit(d.TwoPasses(1));
  while (held < 1) std::this_thread::sleep_for(std::chrono::milliseconds(5));
  const std::vector<NameRecord> before = d.cache().index->FindNames("shot", "key").value();
  ASSERT_EQ(before.size(), 1u);
  out = true;
  InvalidateRequest request;
  request.set_worker("sick");
  EXPECT_EQ(Invalidate(d, request).results(), 2u) << "the key that it made, and the levels that it is making";
  sick.Kill();
  hold = false;
  FakeWorker well(d.Channel(), "well:1");
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_EQ(well.counts()["key"], 1);
  EXPECT_EQ(well.counts()["hard"], 1);
  EXPECT_NE(d.cache().index->FindNames("shot", "key").value().front().key, before.front().key);
}

TEST(Invalidation, OfAWorkerTakesNoPassOrStack) {
  Daemon d;
  InvalidateRequest request;
  request.set_worker("w");
  request.set_stack_name("shot");
  Invalidate(d, request);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
}

// Each start reads all of the journal.
TEST(Journal, KeepsInvalidationsAndTheOrderOfKnownJobsAcrossRestarts) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  InvalidateRequest request;
  request.set_stack_name("shot");
  request.set_pass("key");
  Invalidate(d, request);
  ASSERT_TRUE(d.status.ok());
  const std::string second = d.Submit(d.TwoPasses(3, 0.3));
  EXPECT_EQ(Line(d.WatchToEnd(second), "key")->rendered(), 3u);
  for (int restart = 0; restart < 2; ++restart) {
    d.Restart();
    FakeWorker again(d.Channel(), "w2");
    // Commits are in order: what the start wrote is there when this one is done.
    EXPECT_EQ(Line(d.Run(d.TwoPasses(3, 0.3)), "key")->reused(), 3u) << "not the pixels from before the invalidation";
    std::map<JournalType, int> entries;
    uint64_t newest = 0;
    ASSERT_TRUE(d.cache()
                    .index
                    ->ReadJournal(0,
                                  [&](const JournalEntry& e) {
                                    ++entries[e.type];
                                    newest = e.sequence;
                                  })
                    .ok());
    // Folded into a row; where the fold was the newest entry, it stays.
    EXPECT_EQ(entries[JournalType::kInvalidated], 0);
    EXPECT_EQ(d.cache().index->ListValues("epochs/").value().size(), 1u);
    EXPECT_EQ(entries[JournalType::kJobSubmitted], 3 + restart);
    // The newest entry that the start found, and that of the job since.
    EXPECT_EQ(entries[JournalType::kJobFinished], 2);
    EXPECT_EQ(newest, 7u + 2 * restart);
  }
}

TEST(KeepPins, SurviveARestartAndGoWithTheNextPlan) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  Stack stack = d.TwoPasses();
  stack.mutable_pass(0)->set_keep(Pass::ALWAYS);
  d.Run(stack);
  const auto pinned = [&] {
    std::vector<std::string> passes;
    const CacheInfoReply info = Info(d);
    for (const auto& line : info.pass()) {
      if (line.keep() == Pass::ALWAYS) passes.push_back(line.pass());
    }
    return passes;
  };
  EXPECT_EQ(pinned(), std::vector<std::string>{"key"});
  d.Restart();
  EXPECT_EQ(pinned(), std::vector<std::string>{"key"}) << "without a new submission";
  FakeWorker again(d.Channel(), "w2");
  d.Run(d.TwoPasses());
  EXPECT_TRUE(pinned().empty()) << "the newest plan wants it no more";
  d.Restart();
  EXPECT_TRUE(pinned().empty());
}

TEST(KeepTable, TwoStacksWithTheSameResultDoNotLoseEachOthersPins) {
  MemoryResultIndex index;
  const auto commit = [&](IndexBatch batch) { ASSERT_TRUE(index.Commit(batch).ok()); };
  const auto plan = [](const std::string& stack, int tasks, Pass::Keep keep) {
    plan::Plan p;
    p.stack_name = stack;
    for (int i = 0; i < tasks; ++i) {
      plan::PlannedTask& t = p.tasks.emplace_back();
      t.key = {Sha256(std::to_string(i))};
      t.keep = keep;
    }
    return p;
  };
  KeepTable table;
  table.Set(plan("a", 10000, Pass::ALWAYS), commit);
  table.Set(plan("b", 2, Pass::ALWAYS), commit);
  const ResultKey shared{Sha256("1")}, other{Sha256("9999")};
  KeepTable loaded;
  ASSERT_TRUE(loaded.Load(index).ok());
  EXPECT_EQ(loaded.Of(other), Keep::kPinned);
  for (KeepTable* t : {&table, &loaded}) {
    t->Set(plan("a", 1, Pass::NEVER), commit);
    EXPECT_EQ(t->Of(shared), Keep::kPinned) << "b wants it";
    EXPECT_EQ(t->Of(other), Keep::kNormal);
    t->Set(plan("b", 0, Pass::AUTO), commit);
    EXPECT_EQ(t->Of(shared), Keep::kNormal);
    EXPECT_EQ(t->Of({Sha256("0")}), Keep::kFirstToGo);
    EXPECT_EQ(t->FirstToGo(), std::vector<ResultKey>{{Sha256("0")}});
    t->Set(plan("a", 10000, Pass::ALWAYS), commit);
    t->Set(plan("b", 2, Pass::ALWAYS), commit);
  }
  EXPECT_EQ(index.ListValues("keep/").value().size(), 3u + 1u) << "10,000 keys in three values, two in one";
}

// a -> b -> c (target); a -> d (target); e is above something that is there.
TEST(PlanPins, AResultIsFreeOnceAllItsReadersAreDone) {
  auto plan = std::make_shared<plan::Plan>();
  const auto add = [&](const std::string& name, const std::vector<std::string>& reads) {
    plan::PlannedTask& t = plan->tasks.emplace_back();
    t.key = {Sha256(name)};
    for (const std::string& r : reads) t.inputs.emplace_back().result = ResultKey{Sha256(r)};
  };
  add("e", {});
  add("a", {"e"});
  add("b", {"a", "a"});
  add("c", {"b"});
  add("d", {"a"});
  plan->targets = {{Sha256("c")}, {Sha256("d")}};
  plan::Probed probed;
  probed.state = {plan::Probed::kNotNeeded, plan::Probed::kHit, plan::Probed::kRender, plan::Probed::kRender,
                  plan::Probed::kRender};
  const auto keys = [](const std::vector<std::string>& names) {
    std::vector<ResultKey> k;
    for (const std::string& n : names) k.push_back({Sha256(n)});
    return k;
  };
  PlanPins pins(plan, probed);
  EXPECT_TRUE(pins.Done(1).empty()) << "what is there already is not done twice";
  EXPECT_TRUE(pins.Done(2).empty()) << "d still reads a";
  EXPECT_TRUE(pins.Done(2).empty()) << "told twice, counted once";
  EXPECT_EQ(pins.Done(4), keys({"a"})) << "and d itself is a target";
  EXPECT_EQ(pins.Done(3), keys({"b"}));
  EXPECT_EQ(pins.Rest(), keys({"c", "d"})) << "e was never pinned";
  EXPECT_TRUE(pins.Rest().empty());
}

TEST(CacheInfo, CountsWhatReuseHasSaved) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  w.task_ms = 20;
  d.Run(d.TwoPasses());
  const CacheInfoReply before = Info(d);
  for (const auto& line : before.pass()) {
    EXPECT_EQ(line.seconds_saved(), 0) << line.pass();
    EXPECT_GT(line.render_seconds(), 0) << line.pass();
  }
  d.Run(d.TwoPasses());
  d.Run(d.TwoPasses());
  d.Restart();
  const CacheInfoReply info = Info(d);
  ASSERT_EQ(info.pass_size(), 3);
  for (const auto& line : info.pass()) {
    EXPECT_NEAR(line.seconds_saved(), 2 * line.render_seconds(), 1e-6) << line.pass() << ": twice reused";
  }
}

TEST(VerifyCache, DamageIsCountedForgottenAndRenderedAgain) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  // A tile gone behind everybody's back.
  const auto names = d.cache().index->FindNames("shot", "deliver matte").value();
  ASSERT_EQ(names.size(), 3u);
  const auto record = d.cache().index->Find({&names[0].key, 1}).value();
  const auto tiles = StoredDigests(record[0]->manifest);
  ASSERT_FALSE(tiles.empty());
  ASSERT_TRUE(d.cache().tiles->Delete({&tiles[0], 1}).ok());
  const auto verify = [&] {
    grpc::ClientContext context;
    auto reader = d.jobs().VerifyCache(&context, VerifyCacheRequest());
    VerifyProgress p, last;
    while (reader->Read(&p)) last = p;
    EXPECT_TRUE(reader->Finish().ok());
    EXPECT_TRUE(last.done());
    return last;
  };
  const VerifyProgress p = verify();
  EXPECT_EQ(p.results_checked(), 9u);
  EXPECT_GE(p.results_lost(), 1u);
  EXPECT_EQ(verify().results_lost(), 0u);
  const JobProgress again = d.Run(d.TwoPasses());
  EXPECT_EQ(again.state(), JOB_DONE);
  EXPECT_EQ(Rendered(again), p.results_lost());
  EXPECT_EQ(verify().results_checked(), 9u);
}

grpc::Status Release(Daemon& d, const std::string& stack, ReleaseReply* reply) {
  ReleaseRequest request;
  request.set_stack_name(stack);
  grpc::ClientContext context;
  return d.jobs().Release(&context, request, reply);
}

TEST(Release, LetsTheKeptGoAlsoAfterARestartUntilTheNextSubmission) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  Stack stack = d.TwoPasses();
  stack.mutable_pass(0)->set_keep(Pass::ALWAYS);
  const auto kept = [&] {
    const CacheInfoReply info = Info(d);
    return std::count_if(info.pass().begin(), info.pass().end(),
                         [](const auto& p) { return p.keep() == Pass::ALWAYS; });
  };
  d.Run(stack);
  EXPECT_EQ(kept(), 1);
  ReleaseReply reply;
  EXPECT_EQ(Release(d, "no such shot", &reply).error_code(), grpc::StatusCode::NOT_FOUND);
  EXPECT_EQ(kept(), 1);
  ASSERT_TRUE(Release(d, "shot", &reply).ok());
  EXPECT_EQ(reply.results(), 3u);
  EXPECT_EQ(kept(), 0);
  EXPECT_EQ(Release(d, "shot", &reply).error_code(), grpc::StatusCode::NOT_FOUND);
  d.Restart();
  FakeWorker again(d.Channel(), "w2");
  EXPECT_EQ(kept(), 0);
  EXPECT_EQ(d.Run(stack).pass(0).rendered(), 0u);
  EXPECT_EQ(kept(), 1);
}

TEST(Backup, OfACacheInMemoryIsRefused) {
  Daemon d;
  BackupRequest request;
  request.set_folder("/tmp/never");
  BackupReply reply;
  grpc::ClientContext context;
  EXPECT_EQ(d.jobs().Backup(&context, request, &reply).error_code(), grpc::StatusCode::UNIMPLEMENTED);
}

}  // namespace
}  // namespace selvage
