// Results that are not stored: they come along with the tasks that read them.
#include <gtest/gtest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "server/sched/scheduler.h"

namespace selvage::sched {
namespace {

ResultKey Key(const std::string& name) { return {Sha256(name)}; }

struct Spec {
  std::string name;
  std::vector<uint32_t> inputs;
  bool stored = true;
  Known known = Known::kRender;
};
constexpr bool kHandedOn = false;

NewJob MakeJob(JobNumber number, const std::vector<Spec>& specs) {
  NewJob job;
  job.number = number;
  job.groups = 1;
  for (const Spec& s : specs) {
    NewTask t;
    t.key = Key(s.name);
    t.inputs = s.inputs;
    t.stored = s.stored;
    t.known = s.known;
    t.order = job.tasks.size();
    job.tasks.push_back(t);
  }
  return job;
}

class BundleTest : public ::testing::Test {
 protected:
  ~BundleTest() override { EXPECT_EQ(s_.CheckInvariants(), ""); }

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
  // Everything is unknown, but for `known`, of which the tiles are not there.
  void AnswerAll(const std::vector<std::string>& known = {}) {
    for (auto asked = Take(Effect::kAsk); !asked.empty(); asked = Take(Effect::kAsk)) {
      for (const Effect& e : asked) {
        const bool hit = std::any_of(known.begin(), known.end(), [&](const auto& n) { return Key(n) == e.key; });
        s_.Answer(e.key, e.question, hit && e.by_trace, now_, false);
      }
    }
  }
  // "root < what comes along" of all that is started.
  std::vector<std::string> Started(const NewJob& job, const std::vector<Spec>& specs) {
    std::vector<std::string> lines;
    for (const Effect& e : Take(Effect::kStart)) {
      EXPECT_EQ(job.tasks[e.local].key, e.key);
      std::string line = specs[e.local].name;
      for (uint32_t i : e.inner) line += " < " + specs[i].name;
      lines.push_back(line);
    }
    return lines;
  }
  void Finish(const std::string& name, const std::vector<std::string>& brought, const std::string& worker = "w") {
    ASSERT_TRUE(s_.BeginCommit(Key(name), worker, now_)) << name;
    std::vector<std::string> taken;
    for (const std::string& b : brought) {
      if (s_.BeginBring(Key(b), now_)) taken.push_back(b);
    }
    for (const std::string& b : taken) s_.EndBring(Key(b), true, 1, now_);
    s_.EndCommit(Key(name), worker, true, 1, now_);
  }
  TaskState State(const std::string& name) { return s_.FindTask(Key(name))->state; }
  bool Finished(JobNumber job) {
    for (const Effect& e : Take(Effect::kJobFinished)) finished_.push_back(e.job);
    return std::find(finished_.begin(), finished_.end(), job) != finished_.end();
  }
  using Lines = std::vector<std::string>;

  Scheduler s_;
  Time now_ = 100;
  std::vector<Effect> kept_;
  std::vector<JobNumber> finished_;
};

// heavy -> a -> b -> c, and b reads a2 besides.
const std::vector<Spec> kChain = {
    {"heavy", {}}, {"a", {0}, kHandedOn}, {"a2", {0}, kHandedOn}, {"b", {1, 2}, kHandedOn}, {"c", {3}}};

TEST_F(BundleTest, AChainIsLeasedAsOneAndEndsAsOne) {
  Work("w", 8);
  const NewJob job = MakeJob(1, kChain);
  s_.AddJob(job, now_);
  EXPECT_EQ(Started(job, kChain), Lines{"heavy"});
  Finish("heavy", {});
  AnswerAll();
  EXPECT_EQ(Started(job, kChain), Lines{"c < a < a2 < b"});
  EXPECT_EQ(s_.LeasedTo("w"), (std::vector<ResultKey>{Key("a"), Key("a2"), Key("b"), Key("c")}));
  EXPECT_FALSE(Finished(1));
  Finish("c", {"a", "a2", "b"});
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->groups[0].rendered, 5u);
}

TEST_F(BundleTest, ALostBundleIsLeasedAgainAsAWhole) {
  Work("w");
  const NewJob job = MakeJob(1, kChain);
  s_.AddJob(job, now_);
  Take(Effect::kStart);
  Finish("heavy", {});
  AnswerAll();
  Take(Effect::kStart);
  now_ += 100;
  s_.Tick(now_);
  Work("v");
  EXPECT_EQ(Started(job, kChain), Lines{"c < a < a2 < b"});
  Finish("c", {"a", "a2", "b"}, "v");
  EXPECT_TRUE(Finished(1));
}

TEST_F(BundleTest, WhatIsKnownStopsTheWaveWithoutItsTiles) {
  Work("w");
  const NewJob job = MakeJob(1, kChain);
  s_.AddJob(job, now_);
  Take(Effect::kStart);
  Finish("heavy", {});
  AnswerAll({"a", "a2", "b"});
  EXPECT_EQ(State("b"), TaskState::kDone);
  // All inputs known: c was asked for by its trace, and is not known. Its tiles are made
  // from those that are rendered again.
  EXPECT_EQ(Started(job, kChain), Lines{"c < a < a2 < b"});
  Finish("c", {"a", "a2", "b"});
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->groups[0].rendered, 2u);
  EXPECT_EQ(s_.FindJob(1)->groups[0].reused, 3u);
}

TEST_F(BundleTest, AnInputFarBelowThatIsLostComesFirst) {
  Work("w");
  const NewJob job = MakeJob(1, kChain);
  s_.AddJob(job, now_);
  Take(Effect::kStart);
  Finish("heavy", {});
  AnswerAll({"a", "a2", "b"});
  ASSERT_EQ(Started(job, kChain), Lines{"c < a < a2 < b"});
  s_.InputLost(Key("c"), "w", Key("heavy"), now_);
  AnswerAll();
  EXPECT_EQ(Started(job, kChain), Lines{"heavy"});
  EXPECT_EQ(State("c"), TaskState::kBlocked);
  Finish("heavy", {});
  AnswerAll({"a", "a2", "b"});
  EXPECT_EQ(Started(job, kChain), Lines{"c < a < a2 < b"});
  Finish("c", {});
  EXPECT_TRUE(Finished(1));
}

TEST_F(BundleTest, AnInnerStepThatSaysNoFailsWhatHangsFromItAndNothingElse) {
  Work("w");
  std::vector<Spec> specs = kChain;
  specs.push_back({"other", {0}});
  const NewJob job = MakeJob(1, specs);
  s_.AddJob(job, now_);
  Take(Effect::kStart);
  Finish("heavy", {});
  AnswerAll();
  ASSERT_EQ(Started(job, specs), Lines{"c < a < a2 < b"});
  s_.InnerFailed(Key("c"), "w", Key("a2"), "no", now_);
  EXPECT_EQ(State("a2"), TaskState::kFailed);
  EXPECT_EQ(State("b"), TaskState::kFailed);
  EXPECT_EQ(State("c"), TaskState::kFailed);
  EXPECT_EQ(State("a"), TaskState::kIdle) << "comes along with nobody";
  const auto problems = Take(Effect::kProblem);
  ASSERT_EQ(problems.size(), 1u);
  EXPECT_EQ(problems[0].key, Key("a2"));
  EXPECT_EQ(Started(job, specs), Lines{"other"});
  Finish("other", {});
  EXPECT_TRUE(Finished(1));
  EXPECT_EQ(s_.FindJob(1)->groups[0].failed, 3u);
}

TEST_F(BundleTest, AnInnerStepThatSaysNoToWhatWasRenderedBeforeIsTheWorkersFault) {
  Work("w");
  const NewJob job = MakeJob(1, kChain);
  s_.AddJob(job, now_);
  Take(Effect::kStart);
  Finish("heavy", {});
  AnswerAll({"a", "a2", "b"});
  Take(Effect::kStart);
  s_.InnerFailed(Key("c"), "w", Key("a"), "no", now_);
  EXPECT_EQ(State("a"), TaskState::kDone);
  EXPECT_EQ(State("c"), TaskState::kReady);
  EXPECT_EQ(Take(Effect::kSetback).size(), 1u);
}

// Two bundles have the same along: the first to be committed is as good as any.
TEST_F(BundleTest, WhatTwoBundlesHaveAlongIsTakenOnce) {
  Work("w", 8);
  const std::vector<Spec> specs = {{"a", {}, kHandedOn}, {"b", {0}}, {"c", {0}}};
  const NewJob job = MakeJob(1, specs);
  s_.AddJob(job, now_);
  EXPECT_EQ(Started(job, specs), (Lines{"b < a", "c < a"}));
  Finish("b", {"a"});
  EXPECT_EQ(State("a"), TaskState::kDone);
  EXPECT_FALSE(s_.BeginBring(Key("a"), now_));
  Finish("c", {"a"});
  EXPECT_TRUE(Finished(1));
}

TEST_F(BundleTest, AJobThatWantsItStoredHasItStoredForAll) {
  Work("w");
  const std::vector<Spec> handed_on = {{"a", {}, kHandedOn}, {"b", {0}}}, stored = {{"a", {}}, {"c", {0}}};
  const NewJob first = MakeJob(1, handed_on), second = MakeJob(2, stored);
  s_.Report("w", 0, false, {}, now_);
  s_.AddJob(first, now_);
  s_.AddJob(second, now_);
  EXPECT_EQ(State("b"), TaskState::kBlocked);
  Work("w");
  const auto started = Take(Effect::kStart);
  ASSERT_EQ(started.size(), 1u);
  EXPECT_EQ(started[0].key, Key("a"));
  Finish("a", {});
  AnswerAll();
  for (const char* name : {"b", "c"}) {
    ASSERT_EQ(Take(Effect::kStart).size(), 1u);
    Finish(name, {});
  }
  EXPECT_TRUE(Finished(1) && Finished(2));
}

TEST_F(BundleTest, NothingWaitsForABundleThatIsNotNeededAnyMore) {
  s_.AddJob(MakeJob(1, kChain), now_);
  // Another job finds what they were for in the cache.
  s_.AddJob(MakeJob(2, {{"heavy", {}, true, Known::kNotNeeded},
                        {"a", {0}, kHandedOn, Known::kNotNeeded},
                        {"a2", {0}, kHandedOn, Known::kNotNeeded},
                        {"b", {1, 2}, kHandedOn, Known::kNotNeeded},
                        {"c", {3}, true, Known::kHit}}),
            now_);
  EXPECT_EQ(State("b"), TaskState::kIdle);
  Work("w");
  Take(Effect::kStart);
  Finish("heavy", {});
  EXPECT_TRUE(Finished(1));
}

}  // namespace
}  // namespace selvage::sched
