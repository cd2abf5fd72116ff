// Versions of stacks, and how long rendering is expected to take.
#include <gmock/gmock.h>

#include "server/engine/measured.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

SubmitReply Submit(Daemon& d, const Stack& stack, const std::string& note = "", const std::string& text = "",
                   const std::string& request_id = "") {
  SubmitRequest request;
  *request.mutable_stack() = stack;
  request.set_note(note);
  request.set_text(text);
  request.set_owner("rhea@ws1");
  request.set_request_id(request_id);
  SubmitReply reply;
  grpc::ClientContext context;
  d.status = d.jobs().Submit(&context, request, &reply);
  return reply;
}

ListVersionsReply List(Daemon& d, const std::string& stack = "shot") {
  ListVersionsRequest request;
  request.set_stack_name(stack);
  request.set_limit(1000);
  ListVersionsReply reply;
  grpc::ClientContext context;
  d.status = d.jobs().ListVersions(&context, request, &reply);
  return reply;
}

GetVersionReply Get(Daemon& d, uint32_t number, bool text = false) {
  GetVersionRequest request;
  request.set_stack_name("shot");
  request.set_number(number);
  request.set_text(text);
  GetVersionReply reply;
  grpc::ClientContext context;
  d.status = d.jobs().GetVersion(&context, request, &reply);
  return reply;
}

std::vector<uint32_t> Numbers(const ListVersionsReply& reply) {
  std::vector<uint32_t> numbers;
  for (const StackVersion& v : reply.version()) numbers.push_back(v.number());
  return numbers;
}

TEST(Versions, EverySubmissionHasANumberAndKeepsItsStackTextAndNote) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  const SubmitReply first = Submit(d, d.TwoPasses(3, 0.2), "as is", "# one\n", "request 1");
  EXPECT_EQ(first.version(), 1u);
  EXPECT_EQ(Submit(d, d.TwoPasses(3, 0.2), "as is", "# one\n", "request 1").version(), 1u) << "it is the same one";
  const JobProgress p = d.WatchToEnd(first.job_id());
  EXPECT_EQ(p.version(), 1u);
  EXPECT_EQ(p.note(), "as is");
  const SubmitReply second = Submit(d, d.TwoPasses(3, 0.3), "harder");
  EXPECT_EQ(second.version(), 2u);
  d.WatchToEnd(second.job_id());
  Stack other = d.TwoPasses(3, 0.4);
  other.set_name("elsewhere");
  EXPECT_EQ(Submit(d, other).version(), 1u);

  for (int start = 0; start < 2; ++start) {
    const ListVersionsReply list = List(d);
    ASSERT_THAT(Numbers(list), ElementsAre(2, 1));
    EXPECT_EQ(list.version(1).job_id(), first.job_id());
    EXPECT_EQ(list.version(1).owner(), "rhea@ws1");
    EXPECT_EQ(list.version(1).note(), "as is");
    EXPECT_EQ(list.version(1).state(), JOB_DONE);
    EXPECT_EQ(list.version(1).rendered(), 9u);
    EXPECT_EQ(list.version(0).reused(), 3u);
    EXPECT_TRUE(list.version(1).has_text());
    EXPECT_FALSE(list.version(0).has_text());
    EXPECT_EQ(Get(d, 1, true).text(), "# one\n");
    EXPECT_EQ(Get(d, 1).stack().pass(1).step(0).levels().black().value(), 0.2);
    EXPECT_EQ(Get(d, 0).stack().pass(1).step(0).levels().black().value(), 0.3) << "0 is the newest";
    if (start == 0) d.Restart();
  }
  EXPECT_EQ(Submit(d, d.TwoPasses(3, 0.5)).version(), 3u) << "numbers go on after a restart";
  Get(d, 7);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
  EXPECT_THAT(d.status.error_message(), HasSubstr("has no version 7; versions 1 to 3 are remembered"));
  List(d, "nothing");
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
}

TEST(Versions, TheOldestGoWhenThereAreTooManyOrTheyAreTooLarge) {
  Daemon d;
  d.Stop();
  d.options.versions = 4;
  d.options.version_bytes = 100'000;
  d.Start();
  for (int i = 0; i < 6; ++i) Submit(d, d.TwoPasses(1, 0.1 * i), "", std::string(1000, 't'));
  EXPECT_THAT(Numbers(List(d)), ElementsAre(6, 5, 4, 3));
  Submit(d, d.TwoPasses(1), "", std::string(98'000, 't'));
  EXPECT_THAT(Numbers(List(d)), ElementsAre(7, 6));
  Submit(d, d.TwoPasses(1), "", std::string(300'000, 't'));
  EXPECT_THAT(Numbers(List(d)), ElementsAre(8)) << "the newest stays, however large";
  Get(d, 7);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
  d.Restart();
  EXPECT_THAT(Numbers(List(d)), ElementsAre(8));
  EXPECT_EQ(Get(d, 8, true).text().size(), 300'000u);
  EXPECT_EQ(d.cache().index->ListValues("version").value().size(), 3u) << "nothing is left of those that went";
}

TEST(Versions, AStateFolderOfBeforeThereWereAnyIsOpenedAndItsJobsGoOn) {
  Daemon d;
  const SubmitReply before = Submit(d, d.TwoPasses());
  d.Stop();
  IndexBatch batch;
  for (const char* prefix : {"version", "measured"}) {
    const auto rows = d.cache().index->ListValues(prefix).value();
    for (const auto& [name, value] : rows) batch.values.emplace_back(name, "");
  }
  EXPECT_GE(batch.values.size(), 2u);
  const auto jobs = d.cache().index->ListValues("job/").value();
  for (const auto& [name, value] : jobs) {
    JobProgress p;
    ASSERT_TRUE(p.ParseFromString(value));
    p.clear_version();
    batch.values.emplace_back(name, p.SerializeAsString());
  }
  ASSERT_TRUE(d.cache().index->Commit(batch).ok());
  d.Start();
  FakeWorker w(d.Channel(), "w");
  const JobProgress p = d.WatchToEnd(before.job_id());
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(p.version(), 0u);
  List(d);
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::NOT_FOUND);
  EXPECT_EQ(Submit(d, d.TwoPasses()).version(), 1u);
}

TEST(Versions, AllStacksTogetherAreBounded) {
  Daemon d;
  d.Stop();
  d.options.all_version_bytes = 10'000;
  d.Start();
  for (const char* name : {"a", "b", "c"}) {
    for (int i = 0; i < 3; ++i) {
      Stack stack = d.TwoPasses(1, 0.1 * i);
      stack.set_name(name);
      Submit(d, stack, "", std::string(2000, 't'));
    }
  }
  uint64_t versions = 0;
  for (const char* name : {"a", "b", "c"}) {
    const auto numbers = Numbers(List(d, name));
    ASSERT_FALSE(numbers.empty()) << "each keeps its newest";
    EXPECT_EQ(numbers.front(), 3u);
    versions += numbers.size();
  }
  EXPECT_LT(versions, 6u);
}

TEST(Versions, WhatIsHandedInWithAStackIsChecked) {
  Daemon d;
  Submit(d, d.TwoPasses(1), std::string(1001, 'n'));
  EXPECT_EQ(d.status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_THAT(d.status.error_message(), HasSubstr("the note has 1001 bytes, allowed 1000"));
  Submit(d, d.TwoPasses(1), "two\nlines");
  EXPECT_THAT(d.status.error_message(), HasSubstr("one line"));
  Submit(d, d.TwoPasses(1), "", std::string((4 << 20) + 1, 't'));
  EXPECT_THAT(d.status.error_message(), HasSubstr("the stack's text"));
}

// --- How long it will take.

TEST(Estimates, AreUnknownAtFirstAndFollowWhatWasMeasured) {
  Daemon d;
  FakeWorker w(d.Channel(), "node7:1", 2);
  PlanReply plan = d.Plan(d.TwoPasses());
  EXPECT_EQ(plan.estimate().tasks(), 9u);
  EXPECT_EQ(plan.estimate().unmeasured(), 9u);
  EXPECT_EQ(plan.estimate().slots(), 2u);
  EXPECT_FALSE(plan.estimate().has_seconds()) << plan.DebugString();
  EXPECT_THAT(std::string(plan.estimate().DebugString()), HasSubstr("color_difference"));
  const JobProgress p = d.Run(d.TwoPasses());
  EXPECT_TRUE(p.has_estimate());
  EXPECT_FALSE(p.estimate().has_seconds());
  for (int start = 0; start < 2; ++start) {
    plan = d.Plan(d.TwoPasses(3, 0.35));
    EXPECT_EQ(plan.estimate().unmeasured(), 0u) << plan.DebugString();
    EXPECT_EQ(plan.estimate().tasks(), 6u);
    if (start == 0) {
      EXPECT_TRUE(plan.estimate().has_seconds());
      d.Restart();
    }
  }
}

Format Size(uint32_t width, uint32_t height) {
  Format f;
  f.set_width(width);
  f.set_height(height);
  return f;
}

// A plan of `count` tasks without steps that read each other in a row, or not.
plan::Plan PlanOf(int count, bool row, const Format& format) {
  plan::Plan plan;
  plan.format = format;
  for (int i = 0; i < count; ++i) {
    plan::PlannedTask t;
    t.key = {Sha256(std::to_string(i))};
    t.pass = "p";
    t.frame = i;
    if (row && i > 0) {
      plan::PlannedInput in;
      in.result = plan.tasks.back().key;
      t.inputs.push_back(in);
    }
    class Nothing final : public plan::AtFrame<std::vector<Step>>::Source {
      std::shared_ptr<const std::vector<Step>> At(int32_t) const override {
        return std::make_shared<const std::vector<Step>>();
      }
    };
    t.steps = plan::AtFrame<std::vector<Step>>(std::make_shared<Nothing>(), i);
    plan.tasks.push_back(std::move(t));
  }
  return plan;
}

Estimate Expect(const Measured& measured, const plan::Plan& plan, const std::map<std::string, uint32_t>& slots) {
  const std::vector<uint8_t> all(plan.tasks.size(), 1);
  return EstimateOf(measured.Of(plan, all, all), slots);
}

TEST(Estimates, SpreadTheWorkOverTheMachinesThatAreThere) {
  const Format hd = Size(1920, 1080);
  const plan::Plan plan = PlanOf(12, false, hd);
  const std::string what = WhatOf(plan.tasks[0], true);
  Measured measured;
  EXPECT_FALSE(Expect(measured, plan, {{"slow", 2}}).has_seconds());
  measured.Add(what, "slow", hd, 2);
  EXPECT_DOUBLE_EQ(Expect(measured, plan, {{"slow", 2}}).seconds(), 12);
  measured.Add(what, "fast", hd, 1);
  // Three tasks a second against one.
  EXPECT_DOUBLE_EQ(Expect(measured, plan, {{"slow", 2}, {"fast", 3}}).seconds(), 12 / (3 + 1.0));
  EXPECT_DOUBLE_EQ(Expect(measured, plan, {{"new", 1}}).seconds(), 12 * 1.5) << "like the others on average";
  EXPECT_FALSE(Expect(measured, plan, {}).has_seconds());
  EXPECT_EQ(Expect(measured, plan, {}).slots(), 0u);
}

TEST(Estimates, AnotherSizeIsReckonedByItsPixels) {
  Measured measured;
  const plan::Plan plan = PlanOf(4, false, Size(1920, 1080));
  const std::string what = WhatOf(plan.tasks[0], true);
  measured.Add(what, "a", Size(100, 100), 1);
  measured.Add(what, "a", Size(960, 540), 0.5);
  Estimate e = Expect(measured, plan, {{"a", 1}});
  EXPECT_TRUE(e.other_size());
  EXPECT_DOUBLE_EQ(e.seconds(), 4 * 0.5 * 4) << "from the nearest size";
  measured.Add(what, "a", Size(1920, 1080), 3);
  e = Expect(measured, plan, {{"a", 1}});
  EXPECT_FALSE(e.other_size());
  EXPECT_DOUBLE_EQ(e.seconds(), 12);
}

TEST(Estimates, WhatWaitsForEachOtherIsNotSpread) {
  Measured measured;
  const Format hd = Size(1920, 1080);
  const plan::Plan plan = PlanOf(6, true, hd);
  measured.Add(WhatOf(plan.tasks[0], true), "a", hd, 1);
  measured.Add(WhatOf(plan.tasks[1], true), "a", hd, 1);
  EXPECT_DOUBLE_EQ(Expect(measured, plan, {{"a", 100}}).seconds(), 6);
}

TEST(Estimates, WhatWasOnlyDoneElsewhereCountsAsItsKin) {
  Measured measured;
  const Format hd = Size(1920, 1080);
  const plan::Plan plan = PlanOf(2, false, hd);
  measured.Add("copy; 3 results; stored", "a", hd, 2);
  measured.Add("copy; 1 plates", "a", hd, 4);
  measured.Add("copy,levels; stored", "a", hd, 100);
  measured.Add("copying", "a", hd, 100);
  const Estimate e = Expect(measured, plan, {{"a", 1}});
  EXPECT_EQ(e.unmeasured(), 0u);
  EXPECT_DOUBLE_EQ(e.seconds(), 2 * 3);
}

TEST(Estimates, OverheadIsLearntAndRemembered) {
  Measured measured;
  const Format hd = Size(1920, 1080);
  const plan::Plan plan = PlanOf(10, false, hd);
  measured.Add(WhatOf(plan.tasks[0], true), "a", hd, 1);
  measured.AddOverhead(1.5);
  measured.AddOverhead(1000);  // a night in between
  EXPECT_DOUBLE_EQ(Expect(measured, plan, {{"a", 1}}).seconds(), 15);
  Measured again;
  again.Load(measured.Row());
  EXPECT_DOUBLE_EQ(Expect(again, plan, {{"a", 1}}).seconds(), 15);
}

TEST(Estimates, TheMeanFollowsAndKindsAreBounded) {
  Measured measured;
  const Format hd = Size(1920, 1080);
  const plan::Plan plan = PlanOf(1, false, hd);
  const std::string what = WhatOf(plan.tasks[0], true);
  for (int i = 0; i < 1000; ++i) measured.Add(what, "a", hd, 1);
  for (int i = 0; i < 1000; ++i) measured.Add(what, "a", hd, 3);
  EXPECT_NEAR(Expect(measured, plan, {{"a", 1}}).seconds(), 3, 0.01);
  for (int i = 0; i < 5000; ++i) measured.Add("kind " + std::to_string(i), "a", hd, 1);
  EXPECT_EQ(measured.Row().line_size(), 4096);
  EXPECT_FALSE(Expect(measured, plan, {{"a", 1}}).has_seconds()) << "used longest ago";
}

}  // namespace
}  // namespace selvage
