// How many slots a farm is told to have.
#include "server/sched/backlog.h"

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "server/sched/scheduler.h"

namespace selvage::sched {
namespace {

ResultKey Key(const std::string& name) { return {Sha256(name)}; }

NewTask MakeTask(const std::string& name, std::vector<uint32_t> inputs = {}, bool stored = true) {
  NewTask t;
  t.key = Key(name);
  t.inputs = std::move(inputs);
  t.stored = stored;
  return t;
}

NewJob MakeJob(JobNumber number, std::vector<NewTask> tasks) {
  NewJob job;
  job.number = number;
  job.groups = 1;
  job.tasks = std::move(tasks);
  for (size_t i = 0; i < job.tasks.size(); ++i) job.tasks[i].order = i;
  return job;
}

NewJob ManyTasks(JobNumber number, int count) {
  std::vector<NewTask> tasks;
  for (int i = 0; i < count; ++i) tasks.push_back(MakeTask(std::to_string(i)));
  return MakeJob(number, std::move(tasks));
}

class BacklogTest : public ::testing::Test {
 protected:
  ~BacklogTest() override { EXPECT_EQ(s_.CheckInvariants(), ""); }
  // A task took `usual` seconds before; 0: nobody knows.
  Backlog Count(double usual) {
    return s_.CountBacklog([usual](JobNumber, uint32_t) { return usual; });
  }
  void Work(uint32_t slots, bool draining = false, std::vector<Running> running = {}) {
    s_.Report("w", slots, draining, running, now_);
  }

  Scheduler s_;
  Time now_ = 100;
};

TEST_F(BacklogTest, AnIdleFarmNeedsNobody) {
  Work(8);
  const Backlog d = Count(60);
  EXPECT_EQ(d.running + d.ready, 0u);
  EXPECT_EQ(WantedSlots(d), 0u);
}

TEST_F(BacklogTest, WhatRunsAndWhatIsReadyCountsOnceEach) {
  s_.AddJob(ManyTasks(1, 8), now_);
  s_.AddJob(ManyTasks(2, 8), now_);  // the same tasks
  EXPECT_EQ(WantedSlots(Count(60)), 8u);
  Work(3);
  const Backlog d = Count(60);
  EXPECT_EQ(d.running, 3u);
  EXPECT_EQ(d.ready, 5u);
  EXPECT_DOUBLE_EQ(d.seconds, 300);
  EXPECT_EQ(WantedSlots(d), 8u);
}

TEST_F(BacklogTest, ShortTasksShareASlot) {
  s_.AddJob(ManyTasks(1, 50), now_);
  EXPECT_EQ(WantedSlots(Count(0.5)), 3u) << "25 s";
  EXPECT_EQ(WantedSlots(Count(1e-6)), 1u);
  EXPECT_EQ(WantedSlots(Count(10)), 50u);
  EXPECT_EQ(WantedSlots(Count(1e9)), 50u) << "a task cannot be shared";
  EXPECT_EQ(WantedSlots(Count(0)), 50u) << "nobody knows how long they take";
}

TEST_F(BacklogTest, WhatTheJobHasMeasuredItselfCountsMore) {
  s_.AddJob(ManyTasks(1, 11), now_);
  Work(1);
  ASSERT_TRUE(s_.BeginCommit(Key("0"), "w", now_));
  s_.EndCommit(Key("0"), "w", true, 4, now_);
  Work(0);
  EXPECT_DOUBLE_EQ(Count(1000).seconds, 9 * 4);
}

TEST_F(BacklogTest, WhatHangsFromReadyTasksIsWorkForTheirSlots) {
  s_.AddJob(MakeJob(1, {MakeTask("a"), MakeTask("b", {0}), MakeTask("c", {1}), MakeTask("d")}), now_);
  const Backlog d = Count(7);
  EXPECT_EQ(d.ready, 2u);
  EXPECT_DOUBLE_EQ(d.seconds, 28);
  EXPECT_EQ(WantedSlots(d), 2u);
}

TEST_F(BacklogTest, WhatWaitsForWhatRunsIsNotWaitingForASlot) {
  s_.AddJob(MakeJob(1, {MakeTask("a"), MakeTask("b", {0}), MakeTask("c", {0})}), now_);
  Work(4);
  const Backlog d = Count(60);
  EXPECT_EQ(d.running, 1u);
  EXPECT_EQ(d.ready, 0u);
  EXPECT_DOUBLE_EQ(d.seconds, 0);
  EXPECT_EQ(WantedSlots(d), 1u);
}

TEST_F(BacklogTest, WhatComesAlongNeedsNoSlotOfItsOwn) {
  s_.AddJob(MakeJob(1, {MakeTask("a", {}, false), MakeTask("b", {0}, false), MakeTask("c", {1})}), now_);
  const Backlog d = Count(4);
  EXPECT_EQ(d.ready, 1u);
  EXPECT_DOUBLE_EQ(d.seconds, 12);
  EXPECT_EQ(WantedSlots(d), 1u);
}

TEST_F(BacklogTest, AWorkerThatLeavesIsNotCounted) {
  s_.AddJob(ManyTasks(1, 2), now_);
  Work(2);
  ASSERT_EQ(WantedSlots(Count(60)), 2u);
  Work(2, true, {{Key("0"), 1}, {Key("1"), 1}});
  EXPECT_EQ(WantedSlots(Count(60)), 0u) << "it may still finish both";
  s_.Disconnected("w", now_);
  EXPECT_EQ(WantedSlots(Count(60)), 2u) << "it did not";
}

TEST_F(BacklogTest, WhatIsTriedAgainLaterCouldNotBeginNow) {
  s_.AddJob(ManyTasks(1, 1), now_);
  Work(1);
  s_.TaskSetback(Key("0"), "w", "no room", now_);
  EXPECT_EQ(WantedSlots(Count(60)), 0u);
  now_ += 60;
  Work(0);
  s_.Tick(now_);
  EXPECT_EQ(WantedSlots(Count(60)), 1u);
}

TEST(WantedSlots, AreBounded) {
  EXPECT_EQ(WantedSlots({.ready = 1'000'000, .unmeasured = 1'000'000}), kMostWantedSlots);
  EXPECT_EQ(WantedSlots({.ready = 1'000'000, .seconds = 1e300}), kMostWantedSlots);
  EXPECT_EQ(WantedSlots({.running = 1'000'000}), kMostWantedSlots);
  EXPECT_EQ(WantedSlots({.ready = 3, .unmeasured = 1, .seconds = 9}), 2u);
}

}  // namespace
}  // namespace selvage::sched
