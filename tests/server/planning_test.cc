// Planning beside everything else: on threads of its own, on snapshots, given up
// when no request needs it any longer.
#include <atomic>
#include <condition_variable>
#include <mutex>
#include <thread>

#include "tests/server/daemon.h"

namespace selvage {
namespace {

// Holds the threads that are about to plan.
class Gate {
 public:
  // At most so many at a time are held; the others pass.
  explicit Gate(int held_at_once = 1000) : at_once_(held_at_once) {}
  std::function<void()> hook() {
    return [this] {
      std::unique_lock lock(mutex_);
      if (open_ || held_ >= at_once_) return;
      ++held_;
      changed_.notify_all();
      changed_.wait(lock, [&] { return open_; });
      --held_;
    };
  }
  void Close() { Set(false); }
  void Open() { Set(true); }
  void WaitForHeld(int count) {
    std::unique_lock lock(mutex_);
    changed_.wait(lock, [&] { return held_ >= count; });
  }

 private:
  void Set(bool open) {
    std::lock_guard lock(mutex_);
    open_ = open;
    changed_.notify_all();
  }
  std::mutex mutex_;
  std::condition_variable changed_;
  const int at_once_;
  int held_ = 0;
  bool open_ = true;
};

void StartWith(Daemon& d, Gate& gate) {
  d.Stop();
  d.options.before_planning = gate.hook();
  d.Start();
}

void Invalidate(Daemon& d, const std::string& pass) {
  InvalidateRequest request;
  request.set_stack_name("shot");
  request.set_pass(pass);
  InvalidateReply reply;
  grpc::ClientContext context;
  const grpc::Status status = d.jobs().Invalidate(&context, request, &reply);
  EXPECT_TRUE(status.ok()) << status.error_message();
}

// The second comes while the first is being planned for, on another thread.
TEST(Planning, InvalidationsCloseTogetherOnARunningJobAreAllHeeded) {
  Gate gate;
  Daemon d;
  StartWith(d, gate);
  std::atomic<bool> hold{true};
  FakeWorker w(d.Channel(), "w", 4, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    while (hold && spec.pass() == "hard") std::this_thread::sleep_for(std::chrono::milliseconds(5));
    return std::nullopt;
  });
  const std::string job = d.Submit(d.TwoPasses());
  while (w.counts()["key"] < 3) std::this_thread::sleep_for(std::chrono::milliseconds(5));
  gate.Close();
  Invalidate(d, "key");
  gate.WaitForHeld(1);
  Invalidate(d, "key");
  gate.WaitForHeld(2);
  gate.Open();
  hold = false;
  EXPECT_EQ(d.WatchToEnd(job).state(), JOB_DONE);
  EXPECT_GE(w.counts()["key"], 6);
  const PlanReply plan = d.Plan(d.TwoPasses());
  for (const PassPlan& pass : plan.pass()) EXPECT_EQ(pass.render(), 0u) << pass.DebugString();
}

TEST(Planning, CostlyPlansHoldUpNeitherLooksNorListsNorTasks) {
  Gate gate(2);
  Daemon d;
  StartWith(d, gate);
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  gate.Close();
  std::vector<std::thread> planners;
  for (int i = 0; i < 4; ++i) {
    planners.emplace_back([&] {
      PlanRequest request;
      *request.mutable_stack() = d.TwoPasses();
      PlanReply reply;
      grpc::ClientContext context;
      EXPECT_TRUE(d.jobs().Plan(&context, request, &reply).ok());
    });
  }
  gate.WaitForHeld(2);
  const auto soon = [] { return std::chrono::system_clock::now() + std::chrono::seconds(20); };
  grpc::ClientContext context;
  context.set_deadline(soon());
  ListJobsReply list;
  EXPECT_TRUE(d.jobs().ListJobs(&context, ListJobsRequest(), &list).ok());
  LookRequest look;
  *look.mutable_stack() = d.TwoPasses(3, 0.7);
  look.set_pass("hard");
  look.set_frame(1);
  grpc::ClientContext look_context;
  look_context.set_deadline(soon());
  auto reader = d.jobs().Look(&look_context, look);
  FileChunk chunk;
  while (reader->Read(&chunk)) {
  }
  const grpc::Status status = reader->Finish();
  EXPECT_TRUE(status.ok()) << status.error_message();
  gate.Open();
  for (auto& t : planners) t.join();
}

TEST(Planning, TooManyPlansThatWaitAreRefused) {
  Gate gate;
  Daemon d;
  d.options.waiting_plans = 3;
  StartWith(d, gate);
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  gate.Close();
  std::atomic<int> refused{0}, answered{0};
  std::vector<std::thread> planners;
  for (int i = 0; i < 5; ++i) {
    planners.emplace_back([&] {
      PlanRequest request;
      *request.mutable_stack() = d.TwoPasses();
      PlanReply reply;
      grpc::ClientContext context;
      const grpc::Status status = d.jobs().Plan(&context, request, &reply);
      refused += status.error_code() == grpc::StatusCode::RESOURCE_EXHAUSTED;
      answered += status.ok();
    });
  }
  while (refused < 2) std::this_thread::sleep_for(std::chrono::milliseconds(5));
  gate.Open();
  for (auto& t : planners) t.join();
  EXPECT_EQ(refused, 2);
  EXPECT_EQ(answered, 3);
}

TEST(Planning, APlanWhoseClientHasGoneIsGivenUp) {
  Gate gate;
  Daemon d;
  d.options.planning_threads = 1;
  StartWith(d, gate);
  FakeWorker w(d.Channel(), "w");
  d.Run(d.TwoPasses());
  gate.Close();
  grpc::ClientContext context;
  std::thread client([&] {
    PlanRequest request;
    *request.mutable_stack() = d.TwoPasses();
    PlanReply reply;
    EXPECT_EQ(d.jobs().Plan(&context, request, &reply).error_code(), grpc::StatusCode::CANCELLED);
  });
  gate.WaitForHeld(1);
  context.TryCancel();
  client.join();
  gate.Open();
  EXPECT_EQ(d.Plan(d.TwoPasses()).pass_size(), 3) << "its thread plans for others again";
}

}  // namespace
}  // namespace selvage
