// Times of tasks: taken down from what workers hand in, bounded, given to people.
#include "server/engine/task_times.h"

#include <set>

#include "absl/strings/str_cat.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

struct Times {
  std::vector<TracedTask> tasks;
  uint64_t left_out = 0;
};

grpc::Status Ask(Daemon& d, const std::string& job, Times* times) {
  grpc::ClientContext context;
  TraceRequest request;
  request.set_job_id(job);
  const auto stream = d.jobs().Trace(&context, request);
  for (TraceReply reply; stream->Read(&reply);) {
    times->tasks.insert(times->tasks.end(), reply.task().begin(), reply.task().end());
    times->left_out += reply.left_out();
  }
  return stream->Finish();
}

void AddSpan(TaskOutcome* outcome, const std::string& what, uint64_t start, uint64_t length, uint64_t bytes) {
  Span* span = outcome->add_span();
  span->set_what(what);
  span->set_start_us(start);
  span->set_length_us(length);
  span->set_bytes(bytes);
}

TEST(Trace, HasEveryTaskWithItsTimesInOrder) {
  Daemon d;
  FakeWorker worker(d.Channel(), "w", 2, [](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.has_inspect()) return std::nullopt;
    TaskOutcome with;
    AddSpan(&with, "levels", 5, 10, 1000);
    // An hour, within a moment.
    AddSpan(&with, "store tiles", 20, 3'600'000'000, 0);
    return with;
  });
  worker.task_ms = 2;
  const std::string job = d.Submit(d.TwoPasses(2));
  const JobProgress p = d.WatchToEnd(job);
  ASSERT_EQ(p.state(), JOB_DONE);
  Times times;
  ASSERT_TRUE(Ask(d, job, &times).ok());
  EXPECT_EQ(times.left_out, 0u);
  uint64_t rendered = 0;
  for (const PassProgress& line : p.pass()) rendered += line.rendered();
  EXPECT_EQ(times.tasks.size(), rendered) << "tasks as the progress counts them";
  std::set<std::string> passes;
  for (const TracedTask& t : times.tasks) {
    passes.insert(t.pass());
    EXPECT_FALSE(t.failed());
    EXPECT_EQ(t.worker(), "w");
    EXPECT_LE(0, t.ready_us());
    EXPECT_LE(t.ready_us(), t.leased_us());
    EXPECT_LE(t.leased_us() + 2'000, t.finished_us()) << "it slept so long";
    EXPECT_LE(t.finished_us(), t.committed_us());
    for (const Span& span : t.span()) {
      EXPECT_LE(span.start_us() + span.length_us(), static_cast<uint64_t>(t.finished_us() - t.leased_us()));
    }
    if (t.pass() != "key" || t.inner()) continue;
    EXPECT_EQ(t.step(), "color_difference");
    ASSERT_EQ(t.span_size(), 2);
    EXPECT_EQ(t.span(0).what(), "levels");
    EXPECT_EQ(t.span(0).bytes(), 1000u);
  }
  for (const char* pass : {"plate plate", "key", "hard", "deliver matte"}) EXPECT_TRUE(passes.contains(pass)) << pass;
  // What is reused took no time.
  const std::string again = d.Submit(d.TwoPasses(2));
  d.WatchToEnd(again);
  Times none;
  ASSERT_TRUE(Ask(d, again, &none).ok());
  EXPECT_TRUE(none.tasks.empty());
}

TEST(Trace, AttemptsThatFailedAreThereToo) {
  Daemon d;
  std::atomic<int> failures{0};
  FakeWorker worker(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "key" || failures++ > 0) return std::nullopt;
    TaskOutcome failed;
    failed.mutable_error()->set_class_(TaskError::INFRASTRUCTURE);
    failed.mutable_error()->set_message("no memory");
    // Spans that are refused take nothing else with them.
    AddSpan(&failed, "\n", 0, 1, 0);
    return failed;
  });
  const std::string job = d.Submit(d.TwoPasses(1));
  ASSERT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  Times times;
  ASSERT_TRUE(Ask(d, job, &times).ok());
  std::vector<const TracedTask*> key;
  for (const TracedTask& t : times.tasks) {
    if (t.pass() == "key") key.push_back(&t);
  }
  ASSERT_EQ(key.size(), 2u);
  EXPECT_TRUE(key[0]->failed());
  EXPECT_EQ(key[0]->span_size(), 0);
  EXPECT_FALSE(key[1]->failed());
  EXPECT_GT(key[1]->attempt(), key[0]->attempt());
}

TEST(Trace, OfJobsThatAreNotKnownOrOfAnEarlierRun) {
  Daemon d;
  FakeWorker worker(d.Channel(), "w");
  Times times;
  EXPECT_EQ(Ask(d, "nothing", &times).error_code(), grpc::StatusCode::NOT_FOUND);
  const std::string job = d.Submit(d.TwoPasses(1));
  ASSERT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  d.Restart();
  const grpc::Status status = Ask(d, job, &times);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  EXPECT_NE(status.error_message().find("since the daemon was started"), std::string::npos) << status.error_message();
}

// --- Bounds, without a daemon.

TracedTask Task(int number) {
  TracedTask task;
  task.set_pass("core");
  task.set_frame(number);
  return task;
}

uint64_t LeftOut(const TaskTimes& traces, const std::string& job, std::vector<TracedTask>* tasks = nullptr) {
  uint64_t left_out = 0;
  const auto parts = traces.Get(job);
  EXPECT_TRUE(parts.ok()) << parts.status();
  for (const auto& part : *parts) {
    TraceReply reply;
    EXPECT_TRUE(reply.ParseFromString(*part));
    EXPECT_LT(part->size(), size_t{1} << 20);
    left_out += reply.left_out();
    if (tasks) tasks->insert(tasks->end(), reply.task().begin(), reply.task().end());
  }
  return left_out;
}

TEST(TaskTimes, OldJobsMakeRoom) {
  TaskTimes traces({.jobs = 3, .tasks = 10});
  for (int job = 0; job < 5; ++job) traces.Begin(absl::StrCat("job", job), 0);
  EXPECT_FALSE(traces.Get("job1").ok());
  EXPECT_EQ(LeftOut(traces, "job2"), 0u);
  for (int i = 0; i < 4; ++i) traces.Add("job2", {}, Task(i));
  for (int i = 0; i < 4; ++i) traces.Add("job3", {}, Task(i));
  // Three more than there is room for: job2 goes.
  for (int i = 0; i < 5; ++i) traces.Add("job4", {}, Task(i));
  EXPECT_FALSE(traces.Get("job2").ok());
  std::vector<TracedTask> tasks;
  EXPECT_EQ(LeftOut(traces, "job4", &tasks), 0u);
  EXPECT_EQ(tasks.size(), 5u);
  // Alone it has room for ten.
  for (int i = 5; i < 25; ++i) traces.Add("job4", {}, Task(i));
  tasks.clear();
  EXPECT_EQ(LeftOut(traces, "job4", &tasks), 15u);
  ASSERT_EQ(tasks.size(), 10u);
  for (int i = 0; i < 10; ++i) EXPECT_EQ(tasks[i].frame(), i) << "in the order in which they came";
  traces.Add("job0", {}, Task(0));
  EXPECT_FALSE(traces.Get("job0").ok()) << "a job that was forgotten does not come back";
}

TEST(TaskTimes, BytesAreBoundedAndMessagesAreSmall) {
  TaskTimes traces({.jobs = 3, .tasks = 100'000, .bytes = 2 << 20});
  traces.Begin("job", 0);
  TracedTask large = Task(0);
  large.set_worker(std::string(200, 'w'));
  for (int i = 0; i < 64; ++i) large.add_span()->set_what(std::string(64, 's'));
  const int count = 1000;
  for (int i = 0; i < count; ++i) traces.Add("job", {.finished = 1}, large);
  std::vector<TracedTask> tasks;
  const uint64_t left_out = LeftOut(traces, "job", &tasks);
  EXPECT_EQ(left_out, count - tasks.size());
  EXPECT_LT(tasks.size() * large.ByteSizeLong(), size_t{2} << 20);
  EXPECT_GT(tasks.size() * large.ByteSizeLong(), size_t{1} << 20);
}

TEST(TaskTimes, TimesCountFromTheSubmissionAndComeInOrder) {
  TaskTimes traces({});
  traces.Begin("job", 100);
  traces.Add("job", {.ready = 99, .leased = 101.5, .finished = 102, .committed = 102.25}, Task(1));
  // A clock of ours that stands still, a task that was ready again after it was leased.
  traces.Add("job", {.ready = 105, .leased = 104, .finished = 104, .committed = 103}, Task(2));
  std::vector<TracedTask> tasks;
  LeftOut(traces, "job", &tasks);
  ASSERT_EQ(tasks.size(), 2u);
  EXPECT_EQ(tasks[0].ready_us(), 0);
  EXPECT_EQ(tasks[0].leased_us(), 1'500'000);
  EXPECT_EQ(tasks[0].finished_us(), 2'000'000);
  EXPECT_EQ(tasks[0].committed_us(), 2'250'000);
  EXPECT_EQ(tasks[1].ready_us(), 4'000'000);
  EXPECT_EQ(tasks[1].committed_us(), 4'000'000);
}

}  // namespace
}  // namespace selvage
