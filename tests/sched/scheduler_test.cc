// The laws of the scheduler, one at a time, in virtual time.
#include "server/sched/scheduler.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <map>
#include <string>
#include <vector>

namespace selvage::sched {
namespace {

ResultKey Key(const std::string& name) { return {Sha256(name)}; }

struct Spec {
  std::string name;
  std::vector<uint32_t> inputs;
  Known known = Known::kRender;
  uint32_t frame = 0;
};

NewJob MakeJob(JobNumber number, const std::vector<Spec>& specs) {
  NewJob job;
  job.number = number;
  job.groups = 1;
  for (const Spec& s : specs) {
    NewTask t;
    t.key = Key(s.name);
    t.inputs = s.inputs;
    t.known = s.known;
    t.order = (uint64_t{s.frame} << 32) + job.tasks.size();
    job.tasks.push_back(t);
  }
  return job;
}

NewJob ManyTasks(JobNumber number, int count) {
  std::vector<Spec> specs;
  for (int i = 0; i < count; ++i) specs.push_back({std::to_string(number) + "/" + std::to_string(i), {}});
  return MakeJob(number, specs);
}

class SchedulerTest : public ::testing::Test {
 protected:
  ~SchedulerTest() override { EXPECT_EQ(s_.CheckInvariants(), ""); }

  void Work(const std::string& worker, uint32_t slots = 1) { s_.Report(worker, slots, false, {}, now_); }
  std::vector<Effect> Take(Effect::Type type) {
    for (Effect& e : s_.TakeEffects()) kept_.push_back(std::move(e));
    std::vector<Effect> found;
    std::erase_if(kept_, [&](Effect& e) {
      if (e.type != type) return false;
      found.push_back(e);
      return true;
    });
    return found;
  }
  void AnswerAll(bool hit = false) {
    for (auto asked = Take(Effect::kAsk); !asked.empty(); asked = Take(Effect::kAsk)) {
      for (const Effect& e : asked) s_.Answer(e.key, e.question, hit, now_);
    }
  }
  void Finish(const ResultKey& key, const std::string& worker) {
    ASSERT_TRUE(s_.BeginCommit(key, worker, now_));
    s_.EndCommit(key, worker, true, 1, now_);
  }
  void Finish(const std::string& name, const std::string& worker) { Finish(Key(name), worker); }
  TaskState State(const std::string& name) { return s_.FindTask(Key(name))->state; }
  bool Finished(JobNumber job) {
    for (const Effect& e : Take(Effect::kJobFinished)) finished_.push_back(e.job);
    return std::find(finished_.begin(), finished_.end(), job) != finished_.end();
  }
  // Runs `count` tasks of one second on worker "w"; how many each job got.
  std::map<JobNumber, int> RunSeconds(int count) {
    std::map<JobNumber, int> got;
    for (int i = 0; i < count; ++i) {
      for (const Effect& e : Take(Effect::kStart)) {
        ++got[e.job];
        now_ += 1;
        Finish(e.key, "w");
      }
    }
    return got;
  }

  Scheduler s_;
  Time now_ = 100;
  std::vector<Effect> kept_;
  std::vector<JobNumber> finished_;
};

TEST_F(SchedulerTest, InputsComeBeforeTheirUsers) {
  Work("w", 4);
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].key, Key("a"));
  EXPECT_EQ(State("b"), TaskState::kBlocked);
  Finish("a", "w");
  AnswerAll();
  started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].key, Key("b"));
  EXPECT_FALSE(Finished(1));
  Finish("b", "w");
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->groups[0].rendered, 2u);
}

TEST_F(SchedulerTest, CachedJobFinishesWithoutWorkers) {
  s_.AddJob(MakeJob(1, {{"a", {}, Known::kNotNeeded}, {"b", {0}, Known::kHit}}), now_);
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->groups[0].reused, 2u);
}

TEST_F(SchedulerTest, KnownTraceCutsOffWithoutRendering) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}, {"c", {1}}}), now_);
  Finish("a", "w");
  const auto asked = Take(Effect::kAsk);
  ASSERT_EQ(asked.size(), 1u);
  EXPECT_TRUE(asked[0].by_trace);
  s_.Answer(Key("b"), asked[0].question, true, now_);
  AnswerAll(true);
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->groups[0].rendered, 1u);
  EXPECT_EQ(s_.FindJob(1)->groups[0].reused, 2u);
}

TEST_F(SchedulerTest, HundredIdenticalJobsRenderOnce) {
  Work("w", 64);
  for (JobNumber j = 1; j <= 100; ++j) s_.AddJob(MakeJob(j, {{"a", {}}}), now_);
  EXPECT_EQ(Take(Effect::kStart).size(), 1u);
  Finish("a", "w");
  for (JobNumber j = 1; j <= 100; ++j) EXPECT_TRUE(Finished(j)) << j;
}

TEST_F(SchedulerTest, JobsGoOnWhenTheOneThatCameFirstIsCancelled) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  s_.AddJob(MakeJob(2, {{"a", {}}}), now_);
  s_.RemoveJob(1, now_);
  EXPECT_TRUE(Take(Effect::kStop).empty());
  EXPECT_EQ(State("a"), TaskState::kLeased);
}

TEST_F(SchedulerTest, TaskStopsAtZeroWaiters) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  s_.RemoveJob(1, now_);
  EXPECT_EQ(Take(Effect::kStop).size(), 1u);
  EXPECT_EQ(s_.task_count(), 0u);
}

TEST_F(SchedulerTest, TaskThatOnlyTheCancelledJobNeededStopsEvenIfOthersHaveItInTheirPlan) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  s_.AddJob(MakeJob(2, {{"a", {}, Known::kNotNeeded}, {"c", {0}, Known::kHit}, {"d", {}}}), now_);
  s_.RemoveJob(1, now_);
  EXPECT_EQ(State("a"), TaskState::kIdle);
  EXPECT_EQ(Take(Effect::kStop).size(), 1u);
  Finish("d", "w");
  EXPECT_TRUE(Finished(2));
}

TEST_F(SchedulerTest, ReplacedJobKeepsWhatRuns) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  s_.AddJob(MakeJob(2, {{"a", {}}, {"b2", {0}}}), now_);
  s_.RemoveJob(1, now_);
  EXPECT_TRUE(Take(Effect::kStop).empty());
  Finish("a", "w");
  AnswerAll();
  Finish("b2", "w");
  EXPECT_TRUE(Finished(2));
}

TEST_F(SchedulerTest, ExpiredLeaseReturnsTaskToQueueOnce) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  EXPECT_EQ(Take(Effect::kStart).size(), 1u);
  s_.Tick(now_ += 14.9);
  EXPECT_EQ(State("a"), TaskState::kLeased);
  now_ += 0.2;
  Work("v");
  s_.Tick(now_);
  const auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].worker_id, "v");
  EXPECT_EQ(started[0].attempt, 2u);
}

TEST_F(SchedulerTest, ReportsKeepALeaseAlive) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  for (int i = 0; i < 20; ++i) {
    now_ += 5;
    const Running r{Key("a"), 1};
    s_.Report("w", 1, false, {&r, 1}, now_);
    s_.Tick(now_);
  }
  EXPECT_EQ(State("a"), TaskState::kLeased);
  EXPECT_EQ(s_.expired_leases(), 0u);
}

TEST_F(SchedulerTest, BrokenConnectionGivesFiveSecondsToComeBack) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  s_.Disconnected("w", now_);
  s_.Tick(now_ += 4);
  const Running r{Key("a"), 1};
  s_.Report("w", 1, false, {&r, 1}, now_);
  s_.Tick(now_ += 4);
  EXPECT_EQ(State("a"), TaskState::kLeased);
  s_.Disconnected("w", now_);
  s_.Tick(now_ += 6);
  EXPECT_EQ(State("a"), TaskState::kReady);
}

TEST_F(SchedulerTest, LateCompletionOfAnOldAttemptIsTaken) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  now_ += 20;
  Work("v");
  s_.Tick(now_);
  Finish("a", "w");
  EXPECT_TRUE(Finished(1));
  const auto stopped = Take(Effect::kStop);
  ASSERT_FALSE(stopped.empty());
  EXPECT_EQ(stopped.back().worker_id, "v");
}

TEST_F(SchedulerTest, SecondCompletionChangesNothing) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  ASSERT_TRUE(s_.BeginCommit(Key("a"), "w", now_));
  EXPECT_FALSE(s_.BeginCommit(Key("a"), "w", now_));
  s_.EndCommit(Key("a"), "w", true, 1, now_);
  EXPECT_FALSE(s_.BeginCommit(Key("a"), "w", now_));
  EXPECT_EQ(s_.FindJob(1)->groups[0].rendered, 1u);
}

TEST_F(SchedulerTest, CommitThatFailsIsNotDone) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  ASSERT_TRUE(s_.BeginCommit(Key("a"), "w", now_));
  s_.EndCommit(Key("a"), "w", false, 1, now_);
  EXPECT_EQ(State("a"), TaskState::kLeased);
  EXPECT_FALSE(Finished(1));
  Finish("a", "w");
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, TenDifferentWorkersThatRanNothingElseAreTooMany) {
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  for (int i = 0; i < 10; ++i) {
    ASSERT_NE(State("a"), TaskState::kAbandoned) << i;
    const std::string w = "w" + std::to_string(i);
    s_.Tick(now_ += 61);  // beyond any pause
    Work(w);
    ASSERT_EQ(Take(Effect::kStart).size(), 1u) << w;
    s_.Disconnected(w, now_);
    s_.Tick(now_ += 6);
  }
  EXPECT_EQ(State("a"), TaskState::kAbandoned);
  EXPECT_EQ(State("b"), TaskState::kFailed);
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->failed, 2u);
  EXPECT_EQ(Take(Effect::kProblem).size(), 1u);
}

// Three machines restarted in turn, each with four tasks in hand: no reason to
// give up any of them.
TEST_F(SchedulerTest, MachinesThatAreRestartedInTurnFailNoTask) {
  s_.AddJob(ManyTasks(1, 4), now_);
  for (int i = 0; i < 12; ++i) {
    const std::string w = "w" + std::to_string(i);
    s_.Tick(now_ += 61);
    Work(w, 4);
    ASSERT_EQ(Take(Effect::kStart).size(), 4u) << w;
    s_.Disconnected(w, now_);
    s_.Tick(now_ += 6);
  }
  EXPECT_EQ(s_.FindJob(1)->failed, 0u);
  s_.Tick(now_ += 61);
  Work("well", 4);
  for (const Effect& e : Take(Effect::kStart)) Finish(e.key, e.worker_id);
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, AfterSomeLossesATaskWaitsLongerEachTime) {
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  for (int i = 0; i < 6; ++i) {
    const std::string w = "w" + std::to_string(i);
    s_.Tick(now_ += 61);
    Work(w);
    ASSERT_EQ(Take(Effect::kStart).size(), 1u);
    s_.Disconnected(w, now_);
    s_.Tick(now_ += 6);
  }
  Work("next");
  s_.Tick(now_ += 7);
  EXPECT_TRUE(Take(Effect::kStart).empty());
  s_.Tick(now_ += 1);
  EXPECT_EQ(Take(Effect::kStart).size(), 1u) << "8 s after the sixth";
}

TEST_F(SchedulerTest, WhatIsRenderedHoldsNoSlotWhileItIsSent) {
  Work("w");
  s_.AddJob(ManyTasks(1, 3), now_);
  const auto first = Take(Effect::kStart);
  ASSERT_EQ(first.size(), 1u);
  std::vector<Running> running = {{first[0].key, first[0].attempt}};
  s_.Report("w", 1, false, running, now_);
  EXPECT_TRUE(Take(Effect::kStart).empty());
  running[0].rendered = true;
  s_.Report("w", 1, false, running, now_);
  const auto second = Take(Effect::kStart);
  ASSERT_EQ(second.size(), 1u);
  running.push_back({second[0].key, second[0].attempt});
  s_.Report("w", 1, false, running, now_);
  EXPECT_TRUE(Take(Effect::kStart).empty()) << "one at a time";
  Finish(first[0].key, "w");
  EXPECT_TRUE(Take(Effect::kStart).empty()) << "it had no slot to free";
  // On its way while the outcome was taken.
  s_.Report("w", 1, false, running, now_);
  EXPECT_TRUE(Take(Effect::kStart).empty());
  Finish(second[0].key, "w");
  EXPECT_EQ(Take(Effect::kStart).size(), 1u);
}

TEST_F(SchedulerTest, WhatIsRenderedIsNotToBlameForTheEndOfItsWorker) {
  s_.AddJob(ManyTasks(1, 2), now_);
  for (int crash = 0; crash < 3; ++crash) {
    const std::string worker = "w" + std::to_string(crash);
    Work(worker);
    const auto first = Take(Effect::kStart);
    ASSERT_EQ(first.size(), 1u);
    EXPECT_EQ(first[0].key, Key("1/0"));
    const Running sent{first[0].key, first[0].attempt, true};
    s_.Report(worker, 1, false, {&sent, 1}, now_);
    ASSERT_EQ(Take(Effect::kStart).size(), 1u);
    s_.Ended(worker, true, now_);
  }
  EXPECT_EQ(State("1/0"), TaskState::kReady);
  EXPECT_EQ(State("1/1"), TaskState::kAbandoned) << "as if it had been alone";
}

TEST_F(SchedulerTest, WhatIsRenderedIsNotGivenToAnIdleWorkerToo) {
  Work("w", 1);
  s_.AddJob(ManyTasks(1, 7), now_);
  ResultKey last;
  for (int i = 0; i < 7; ++i) {
    const auto started = Take(Effect::kStart);
    ASSERT_EQ(started.size(), 1u);
    last = started[0].key;
    if (i < 6) Finish(last, "w");
  }
  Work("v", 1);
  const Running r{last, 1, true};
  for (int i = 0; i < 20; ++i) {
    s_.Report("w", 1, false, {&r, 1}, now_ += 1);
    s_.Tick(now_);
  }
  EXPECT_TRUE(Take(Effect::kStart).empty());
}

// A hung holder: it goes on reporting.
TEST_F(SchedulerTest, WorkerThatNeverGetsDoneLosesTheTaskToAnother) {
  Work("hung");
  s_.AddJob(ManyTasks(1, 2), now_);
  auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  Finish(started[0].key, "hung");  // one second
  started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  const ResultKey key = started[0].key;
  const Running running{key, started[0].attempt};
  const auto report = [&](Time until) {
    for (; now_ < until; now_ += 5) {
      s_.Report("hung", 1, false, {&running, 1}, now_);
      s_.Tick(now_);
    }
  };
  const Time begun = now_;
  report(begun + 590);
  EXPECT_EQ(s_.FindTask(key)->state, TaskState::kLeased);
  EXPECT_TRUE(Take(Effect::kSetback).empty());
  report(begun + 620);
  EXPECT_EQ(Take(Effect::kStop).size(), 1u);
  EXPECT_EQ(Take(Effect::kSetback).size(), 1u);
  EXPECT_EQ(s_.FindTask(key)->state, TaskState::kReady) << "its slot is not free: it still says that it runs it";
  Work("well");
  started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].worker_id, "well");
  Finish(key, "well");
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->failed, 0u);
}

TEST_F(SchedulerTest, ALongTaskHasManyTimesTheLongestOfItsKindAndMoreAtEachTry) {
  Work("w", 8);
  s_.AddJob(ManyTasks(1, 2), now_);
  auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 2u);
  ASSERT_TRUE(s_.BeginCommit(started[0].key, "w", now_));
  s_.EndCommit(started[0].key, "w", true, 100, now_);  // seconds
  Running running{started[1].key, started[1].attempt};
  Time limit = 20 * 100;
  for (int tries = 1; tries < 5; ++tries, limit *= 2) {
    const Time begun = now_;
    for (; now_ < begun + limit; now_ += 10) {
      s_.Report("w", 8, false, {&running, 1}, now_);
      s_.Tick(now_);
      ASSERT_TRUE(Take(Effect::kSetback).empty()) << tries << " " << now_ - begun;
    }
    s_.Report("w", 8, false, {&running, 1}, now_);
    s_.Tick(now_ += 10);
    ASSERT_EQ(Take(Effect::kSetback).size(), 1u) << tries;
    started = Take(Effect::kStart);
    ASSERT_EQ(started.size(), 1u) << "there is nobody else";
    running.attempt = started[0].attempt;
  }
  for (const Time begun = now_; now_ <= begun + limit + 20; now_ += 10) {
    s_.Report("w", 8, false, {&running, 1}, now_);
    s_.Tick(now_);
  }
  EXPECT_EQ(s_.FindTask(running.key)->state, TaskState::kAbandoned);
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, SameWorkerLosingItOftenCountsOnce) {
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  for (int i = 0; i < 10; ++i) {
    Work("w");
    s_.Tick(now_ += 16);
  }
  EXPECT_NE(State("a"), TaskState::kAbandoned);
}

TEST_F(SchedulerTest, SetbackIsTriedAgainElsewhereAndDoesNotFail) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  Take(Effect::kStart);
  s_.TaskSetback(Key("a"), "w", "disk full", now_);
  EXPECT_TRUE(Take(Effect::kStart).empty()) << "waits before it tries again";
  Work("v");
  s_.Tick(now_ += 1);
  const auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].worker_id, "v");
  Finish("a", "v");
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->failed, 0u);
}

TEST_F(SchedulerTest, OperatorErrorFailsTheTaskAndWhatHangsFromItOnly) {
  Work("w", 4);
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}, {"c", {1}}, {"other", {}}}), now_);
  s_.TaskFailed(Key("a"), "w", "box outside the picture", now_);
  EXPECT_EQ(State("c"), TaskState::kFailed);
  EXPECT_FALSE(Finished(1));
  Finish("other", "w");
  EXPECT_TRUE(Finished(1));
  const auto problems = Take(Effect::kProblem);
  ASSERT_EQ(problems.size(), 1u);
  EXPECT_EQ(problems[0].message, "box outside the picture");
}

TEST_F(SchedulerTest, LostInputIsRenderedAgainBeforeItsUser) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  Finish("a", "w");
  AnswerAll();
  ASSERT_EQ(State("b"), TaskState::kLeased);
  Take(Effect::kStart);
  s_.InputLost(Key("b"), "w", Key("a"), now_);
  const auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].key, Key("a"));
  Finish("a", "w");
  AnswerAll();
  Finish("b", "w");
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, LostHitExpandsToWhatWasNotNeeded) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}, Known::kNotNeeded}, {"b", {0}, Known::kHit}, {"c", {1}}}), now_);
  AnswerAll();
  ASSERT_EQ(State("c"), TaskState::kLeased);
  s_.InputLost(Key("c"), "w", Key("b"), now_);
  const auto asked = Take(Effect::kAsk);
  ASSERT_EQ(asked.size(), 1u);
  EXPECT_EQ(asked[0].key, Key("a"));
  EXPECT_FALSE(asked[0].by_trace);
  s_.Answer(Key("a"), asked[0].question, false, now_);
  EXPECT_EQ(State("a"), TaskState::kLeased);
  Finish("a", "w");
  AnswerAll();
  Finish("b", "w");
  AnswerAll();
  Finish("c", "w");
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, AnswerFromBeforeTheInputWasLostCountsForNothing) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  Finish("a", "w");
  const auto early = Take(Effect::kAsk);
  ASSERT_EQ(early.size(), 1u);
  s_.ResultLost(Key("a"), now_);
  Finish("a", "w");
  s_.Answer(Key("b"), early[0].question, true, now_);
  EXPECT_EQ(State("b"), TaskState::kAsked);
  AnswerAll();
  Finish("b", "w");
  EXPECT_EQ(s_.FindJob(1)->groups[0].rendered, 2u);
}

TEST_F(SchedulerTest, ResultThatCannotBeKeptFailsInsteadOfLoopingForEver) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {0}}}), now_);
  int rounds = 0;
  while (State("a") != TaskState::kFailed && ++rounds < 50) {
    Finish("a", "w");
    AnswerAll();
    s_.InputLost(Key("b"), "w", Key("a"), now_);
  }
  EXPECT_EQ(rounds, 6);
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, LooksGoAhead) {
  s_.AddJob(ManyTasks(1, 20), now_);
  Work("w");
  auto started = Take(Effect::kStart);
  NewJob look = MakeJob(2, {{"look", {}}});
  look.interactive = true;
  s_.AddJob(look, now_);
  Finish(started[0].key, "w");
  started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].key, Key("look"));
}

TEST_F(SchedulerTest, FirstFramesFinishFirst) {
  std::vector<Spec> specs;
  for (uint32_t f = 0; f < 50; ++f) {
    specs.push_back({"a" + std::to_string(f), {}, Known::kRender, f});
    specs.push_back({"b" + std::to_string(f), {2 * f}, Known::kRender, f});
  }
  Work("w");
  s_.AddJob(MakeJob(1, specs), now_);
  // After 20 tasks at least 9 frames are whole, not 20 frames half done.
  for (int i = 0; i < 20; ++i) {
    AnswerAll();
    const auto started = Take(Effect::kStart);
    ASSERT_EQ(started.size(), 1u);
    Finish(started[0].key, "w");
  }
  for (int f = 0; f < 9; ++f) EXPECT_EQ(State("b" + std::to_string(f)), TaskState::kDone) << f;
}

TEST_F(SchedulerTest, EqualJobsShareAWorkerEvenly) {
  s_.AddJob(ManyTasks(1, 50), now_);
  s_.AddJob(ManyTasks(2, 50), now_);
  Work("w");
  auto got = RunSeconds(40);
  EXPECT_NEAR(got[1], got[2], 2);
}

TEST_F(SchedulerTest, WeightGivesAShareOfTheTime) {
  NewJob heavy = ManyTasks(1, 200);
  heavy.weight = 3;
  s_.AddJob(heavy, now_);
  s_.AddJob(ManyTasks(2, 200), now_);
  Work("w");
  auto got = RunSeconds(100);
  EXPECT_NEAR(static_cast<double>(got[1]) / got[2], 3, 0.3);
}

TEST_F(SchedulerTest, NewcomerHasNoClaimOnTheTimeBeforeItCame) {
  s_.AddJob(ManyTasks(1, 200), now_);
  Work("w");
  RunSeconds(100);
  s_.AddJob(ManyTasks(2, 200), now_);
  auto got = RunSeconds(40);
  EXPECT_NEAR(got[1], got[2], 3);
}

TEST_F(SchedulerTest, RunningTaskIsAdoptedAfterARestart) {
  NewJob job = MakeJob(1, {{"a", {}}});
  job.not_before = now_ + 3;
  Work("v");
  s_.AddJob(job, now_);
  EXPECT_TRUE(Take(Effect::kStart).empty());
  const Running r{Key("a"), 7};
  s_.Report("w", 1, false, {&r, 1}, now_ + 1);
  s_.Tick(now_ + 4);
  EXPECT_TRUE(Take(Effect::kStart).empty());
  EXPECT_EQ(State("a"), TaskState::kLeased);
  Finish("a", "w");
  EXPECT_TRUE(Finished(1));
}

// The report was written before the outcome was taken, and arrives after it.
TEST_F(SchedulerTest, AttemptThatHasEndedIsNotAdopted) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}}), now_);
  const auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  const Running late{Key("a"), started[0].attempt};
  s_.TaskSetback(Key("a"), "w", "no memory", now_);
  s_.Report("w", 1, false, {&late, 1}, now_);
  EXPECT_EQ(State("a"), TaskState::kReady);
  s_.Tick(now_ + 2);
  const auto again = Take(Effect::kStart);
  ASSERT_EQ(again.size(), 1u);
  EXPECT_EQ(again[0].attempt, late.attempt + 1);
  Finish("a", "w");
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, UnknownRunningTaskIsStopped) {
  const Running r{Key("nobody's"), 1};
  s_.Report("w", 1, false, {&r, 1}, now_);
  EXPECT_EQ(Take(Effect::kStop).size(), 1u);
}

TEST_F(SchedulerTest, DrainingWorkerGetsNothingAndHandsBackWithoutBlame) {
  Work("w");
  s_.AddJob(MakeJob(1, {{"a", {}}, {"b", {}}}), now_);
  Take(Effect::kStart);
  const Running r{Key("a"), 1};
  s_.Report("w", 2, true, {&r, 1}, now_);
  EXPECT_TRUE(Take(Effect::kStart).empty());
  s_.Disconnected("w", now_);
  EXPECT_EQ(State("a"), TaskState::kReady);
  EXPECT_TRUE(s_.FindTask(Key("a"))->lost_by.empty());
}

TEST_F(SchedulerTest, LateTaskIsGivenToAnIdleWorkerToo) {
  Work("w", 1);
  std::vector<Spec> specs;
  for (int i = 0; i < 7; ++i) specs.push_back({"t" + std::to_string(i), {}});
  s_.AddJob(MakeJob(1, specs), now_);
  for (int i = 0; i < 6; ++i) Finish("t" + std::to_string(i), "w");
  Take(Effect::kStart);
  Work("v", 1);
  const Running r{Key("t6"), 1};
  for (int i = 0; i < 6; ++i) {
    now_ += 1;
    s_.Report("w", 1, false, {&r, 1}, now_);
    s_.Tick(now_);
  }
  const auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].worker_id, "v");
  Finish("t6", "v");
  const auto stopped = Take(Effect::kStop);
  ASSERT_EQ(stopped.size(), 1u);
  EXPECT_EQ(stopped[0].worker_id, "w");
  EXPECT_TRUE(Finished(1));
}

TEST_F(SchedulerTest, WorkerThatMadeTheInputIsPreferred) {
  Work("v");
  Work("w");
  // Both users become ready together, and are leased in the order of the
  // workers: without the preference "ua" would go to v.
  s_.AddJob(MakeJob(1, {{"b", {}}, {"a", {}}, {"ua", {1}}, {"ub", {0}}}), now_);
  std::map<ResultKey, std::string> ran;
  for (const Effect& e : Take(Effect::kStart)) ran[e.key] = e.worker_id;
  ASSERT_EQ(ran[Key("b")], "v");
  ASSERT_EQ(ran[Key("a")], "w");
  s_.Report("v", 0, false, {}, now_);
  s_.Report("w", 0, false, {}, now_);
  Finish("a", "w");
  Finish("b", "v");
  AnswerAll();
  // Room again for both: a tick deals out.
  s_.Report("v", 1, false, {}, now_);
  s_.Report("w", 1, false, {}, now_);
  for (const Effect& e : Take(Effect::kStart)) ran[e.key] = e.worker_id;
  EXPECT_EQ(ran[Key("ua")], "w");
  EXPECT_EQ(ran[Key("ub")], "v");
}

TEST_F(SchedulerTest, DeepChainDoesNotRecurse) {
  std::vector<Spec> specs{{"0", {}}};
  for (uint32_t i = 1; i < 100000; ++i) specs.push_back({std::to_string(i), {i - 1}});
  Work("w");
  s_.AddJob(MakeJob(1, specs), now_);
  s_.TaskFailed(Key("0"), "w", "no", now_);
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->failed, 100000u);
  s_.RemoveJob(1, now_);
  EXPECT_EQ(s_.task_count(), 0u);
}

}  // namespace
}  // namespace selvage::sched
