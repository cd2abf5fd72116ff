// Where the time went: lanes, sums, and the file that browsers read.
#include <google/protobuf/struct.pb.h>
#include <google/protobuf/util/json_util.h>
#include <gtest/gtest.h>

#include <map>
#include <utility>

#include "client/trace/trace_events.h"
#include "client/trace/where_time_went.h"

namespace selvage::client {
namespace {

TracedTask Task(const std::string& pass, int64_t leased, int64_t finished, int64_t committed) {
  TracedTask task;
  task.set_pass(pass);
  task.set_frame(1001);
  task.set_worker("node7:1");
  task.set_leased_us(leased);
  task.set_finished_us(finished);
  task.set_committed_us(committed);
  return task;
}

void AddSpan(TracedTask* task, const std::string& what, uint64_t start, uint64_t length, uint64_t bytes = 0) {
  Span* span = task->add_span();
  span->set_what(what);
  span->set_start_us(start);
  span->set_length_us(length);
  span->set_bytes(bytes);
}

// 1000 us from lease to finish, of which 900 are known: 600 in the slot.
TracedTask Whole(int64_t leased) {
  TracedTask task = Task("core", leased, leased + 1000, leased + 1050);
  AddSpan(&task, "levels", 0, 400);
  AddSpan(&task, "hash tiles", 400, 200, 2'000'000);
  AddSpan(&task, "encode tiles", 700, 100, 2'000'000);
  AddSpan(&task, "store tiles", 800, 100, 500'000);
  return task;
}

double SecondsOf(const WhereTimeWent& sum, const std::string& what) {
  for (const TimeSpent& row : sum.rows) {
    if (row.what == what) return row.seconds;
  }
  return 0;
}

TEST(WhereTimeWent, AddsUpByWhatItWentInto) {
  const std::vector<TracedTask> tasks = {Whole(0), Whole(2000)};
  const Timeline timeline = Place(tasks);
  const WhereTimeWent sum = SumUp(timeline);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "levels"), 800e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "hash tiles"), 400e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "store tiles"), 200e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "commit"), 100e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "lease"), 200e-6) << "1000 us less the 900 that the worker knows of";
  EXPECT_EQ(sum.rows.front().what, "levels") << "the largest first";
  EXPECT_EQ(sum.rows[1].bytes, 4'000'000u);
  // One slot, from 0 to 3050 us; 700 us of each task, the lease included, are busy.
  EXPECT_EQ(sum.slots, 1);
  EXPECT_DOUBLE_EQ(sum.slot_seconds, 3050e-6);
  EXPECT_NEAR(sum.idle_seconds, (3050 - 1400) * 1e-6, 1e-12);
}

// While the first is sent its slot has the next task.
TEST(WhereTimeWent, ASlotIsFreeWhileAResultIsSent) {
  const std::vector<TracedTask> tasks = {Whole(0), Whole(650), Whole(1300)};
  const Timeline timeline = Place(tasks);
  EXPECT_EQ(timeline.workers.at("node7:1").slots, 1);
  for (size_t i = 0; i < 3; ++i) {
    const Placed& p = timeline.tasks[i];
    EXPECT_EQ(p.slot, 0);
    EXPECT_GE(p.began, p.task->leased_us());
    EXPECT_LE(p.began + 900, p.task->finished_us()) << "all spans end before the worker says so";
    if (i < 2) {
      EXPECT_LE(p.rendered, timeline.tasks[i + 1].task->leased_us());
    }
  }
  // The last has all the room that it needs: the way there comes first.
  EXPECT_EQ(timeline.tasks[2].began, 1400);
}

TEST(WhereTimeWent, TasksAtTheSameTimeHaveLanesOfTheirOwn) {
  std::vector<TracedTask> tasks = {Whole(0), Whole(10), Whole(20), Whole(3000)};
  tasks[2].set_worker("node8:1");
  const Timeline timeline = Place(tasks);
  EXPECT_EQ(timeline.workers.at("node7:1").slots, 2);
  EXPECT_EQ(timeline.workers.at("node8:1").slots, 1);
  EXPECT_NE(timeline.tasks[0].slot, timeline.tasks[1].slot);
  EXPECT_EQ(SumUp(timeline).slots, 3);
}

TEST(WhereTimeWent, WhatCameAlongIsInsideTheOther) {
  std::vector<TracedTask> tasks = {Task("over", 0, 1000, 1000), Task("core", 0, 1000, 1000)};
  tasks[1].set_inner(true);
  AddSpan(&tasks[0], "composite", 300, 500);
  // From 0 to 100 there was one that this job has nothing to do with.
  AddSpan(&tasks[1], "levels", 100, 200);
  const Timeline timeline = Place(tasks);
  ASSERT_EQ(timeline.tasks.size(), 1u);
  ASSERT_EQ(timeline.tasks[0].inner.size(), 1u);
  const WhereTimeWent sum = SumUp(timeline);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "composite"), 500e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "levels"), 200e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "other"), 100e-6);
  EXPECT_DOUBLE_EQ(SecondsOf(sum, "lease"), 200e-6);
  EXPECT_NEAR(sum.total, 1000e-6, 1e-12);
}

TEST(WhereTimeWent, NothingAtAllIsNothing) {
  const WhereTimeWent sum = SumUp(Place({}));
  EXPECT_TRUE(sum.rows.empty());
  EXPECT_EQ(sum.slots, 0);
  EXPECT_EQ(sum.slot_seconds, 0);
  // An inner task without one that it came along with.
  std::vector<TracedTask> lost = {Whole(0)};
  lost[0].set_inner(true);
  EXPECT_TRUE(Place(lost).tasks.empty());
}

TEST(WhereTimeWent, TimesThatMakeNoSenseAreRefused) {
  EXPECT_TRUE(CheckTask(Whole(0)).ok());
  EXPECT_FALSE(CheckTask(Task("core", -1, 1, 1)).ok());
  EXPECT_FALSE(CheckTask(Task("core", 2, 1, 1)).ok());
  EXPECT_FALSE(CheckTask(Task("core", 0, 1, INT64_MAX)).ok());
  TracedTask task = Whole(0);
  task.mutable_span(3)->set_length_us(201);
  EXPECT_FALSE(CheckTask(task).ok()) << "beyond its finish";
  task.mutable_span(3)->set_length_us(UINT64_MAX);
  EXPECT_FALSE(CheckTask(task).ok());
  task = Whole(0);
  for (int i = 0; i < 61; ++i) AddSpan(&task, "levels", 0, 1);
  EXPECT_FALSE(CheckTask(task).ok()) << "65 spans";
}

// Trace Event Format (document of the Chromium project): an object with traceEvents; complete
// events are "X" with ts and dur in microseconds, names of processes and threads are "M".
TEST(TraceEvents, AreJsonWithSlicesThatNest) {
  std::vector<TracedTask> tasks = {Whole(0), Whole(650)};
  tasks[1].set_pass("a \"b\"\n\xc3\xa4");
  const std::string text = TraceEvents("job7", Place(tasks));
  EXPECT_TRUE(IsTraceOfOurs(text));
  EXPECT_FALSE(IsTraceOfOurs(""));
  EXPECT_FALSE(IsTraceOfOurs("{\"traceEvents\":[]}"));
  google::protobuf::Struct file;
  ASSERT_TRUE(google::protobuf::util::JsonStringToMessage(text, &file).ok()) << text;
  const auto& fields = file.fields();
  EXPECT_EQ(fields.at("otherData").struct_value().fields().at("job").string_value(), "job7");
  // By lane: slices as from and to.
  std::map<std::pair<int, int>, std::vector<std::pair<double, double>>> lanes;
  std::map<std::string, int> names;
  for (const auto& value : fields.at("traceEvents").list_value().values()) {
    const auto& event = value.struct_value().fields();
    ++names[event.at("name").string_value()];
    if (event.at("ph").string_value() != "X") continue;
    const double from = event.at("ts").number_value();
    lanes[{static_cast<int>(event.at("pid").number_value()), static_cast<int>(event.at("tid").number_value())}]
        .push_back({from, from + event.at("dur").number_value()});
  }
  EXPECT_EQ(names["levels"], 2);
  EXPECT_EQ(names["commit"], 2);
  EXPECT_EQ(names["core 1001"], 2) << "in its slot, and while it is sent";
  EXPECT_EQ(names["a \"b\"\n\xc3\xa4 1001"], 2);
  EXPECT_EQ(names["process_name"], 1);
  for (const auto& [lane, slices] : lanes) {
    for (const auto& a : slices) {
      for (const auto& b : slices) {
        const bool apart = a.second <= b.first || b.second <= a.first;
        const bool nested =
            (a.first <= b.first && b.second <= a.second) || (b.first <= a.first && a.second <= b.second);
        EXPECT_TRUE(apart || nested) << a.first << "-" << a.second << " and " << b.first << "-" << b.second;
      }
    }
  }
}

}  // namespace
}  // namespace selvage::client
