// What a plan costs is known before it is made.
#include "absl/strings/str_cat.h"
#include "gmock/gmock.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using ::testing::HasSubstr;
using ::testing::IsEmpty;

std::string Shot(int frames, const std::string& rest) {
  return absl::StrCat("name: \"s\" frames { first: 1 last: ", frames,
                      " } format { width: 64 height: 64 } plate { name: \"plate\" files: \"/p.%d.exr\" } ", rest);
}

std::string Deliver(int count, const std::string& from = "plate") {
  std::string text;
  for (int i = 0; i < count; ++i) {
    absl::StrAppend(&text, "deliver { name: \"d", i, "\" from: \"", from, "\" files: \"/o", i, ".%d.exr\" } ");
  }
  return text;
}

std::string Refusal(const Stack& stack, const Limits& limits = {}) {
  const auto error = TooCostly(PriceOf(stack, {}), limits);
  return error ? error->message() : "";
}

TEST(Price, IsWhatThePlanThenHas) {
  const Stack stack = ParseStack(Shot(20, R"(
    mask { name: "m" shape { at { frame: 1 path: "M0 0H9V9Z" } at { frame: 9 path: "M1 0H9V9Z" } } shutter { degrees: 180 } }
    mask { name: "f" shape { at { frame: 5 path: "M0 0H9V9Z" } } follow { picture: "clean" } }
    pass { name: "clean" from: "plate" step { degrain { window: 2 sample { width: 9 height: 9 } } } }
    pass { name: "core" from: "clean" step { color_difference { larger_weight { at { frame: 1 value: 0 } at { frame: 5 value: 1 } } } }
           step { within { mask: "m" } } step { within { mask: "f" } } }
    pass { name: "calm" from: "core" step { steady { plate: "clean" } } } )" +
                                              Deliver(1, "calm")));
  const Price price = PriceOf(stack, {});
  const Plan plan = PlanAll(stack);
  EXPECT_EQ(price.tasks, static_cast<int64_t>(plan.tasks.size()));
  EXPECT_EQ(price.frames, 20);
  EXPECT_EQ(price.files, 20);
  EXPECT_EQ(price.moving_steps, 20) << "the first step of core";
  EXPECT_EQ(price.mask_numbers, 20 * 64 * 14) << "start and two lines";
  int64_t inputs = 0;
  for (const PlannedTask& t : plan.tasks) inputs += static_cast<int64_t>(t.inputs.size());
  EXPECT_GE(price.inputs, inputs) << "windows end where the plate ends";
  EXPECT_LT(price.inputs, 2 * inputs);
}

TEST(Price, OfSomeTargetsIsLess) {
  const Stack stack = ParseStack(Shot(20, Deliver(3)));
  auto targets = DeliverableTargets(stack);
  EXPECT_EQ(PriceOf(stack, {}).tasks, 60);
  EXPECT_EQ(PriceOf(stack, targets).tasks, 60);
  targets.resize(25);
  EXPECT_EQ(PriceOf(stack, targets).tasks, 25);
}

TEST(Price, TooManyTasksAreRefusedWithWhatToDo) {
  const Stack stack = ParseStack(Shot(100'000, Deliver(64)));
  ASSERT_THAT(Validate(stack), IsEmpty());
  EXPECT_EQ(Refusal(stack),
            "this plan would have 6,400,000 tasks (100,000 frames x 64 deliverables), allowed 2,000,000: "
            "submit fewer frames at a time, or start selvaged with --plan-tasks N");
  Limits more;
  more.tasks = 6'400'000;
  EXPECT_EQ(Refusal(stack, more), "");
  more.tasks = 6'399'999;
  EXPECT_THAT(Refusal(stack, more), HasSubstr("allowed 6,399,999"));
}

TEST(Price, EverythingElseThatCostsIsBoundedToo) {
  Limits limits;
  limits.tasks = 1000;
  std::string layers;
  for (int i = 0; i < 500; ++i) absl::StrAppend(&layers, "layer { name: \"l", i, "\" from: \"plate\" } ");
  const std::string wide = absl::StrCat("deliver { name: \"d\" from: \"plate\" files: \"/o.%d.exr\" ", layers, "}");
  EXPECT_THAT(Refusal(ParseStack(Shot(20, wide)), limits), HasSubstr("would read 10,020 inputs"));

  std::string steps;
  for (int i = 0; i < 200; ++i) {
    absl::StrAppend(&steps, "step { choke { pixels { at { frame: 1 value: 0 } at { frame: 9 value: ", i, " } } } } ");
  }
  const std::string moving =
      absl::StrCat("mask { name: \"m\" shape { path: \"M0 0H9V9Z\" } } pass { name: \"a\" from: \"m\" ", steps, "} ");
  EXPECT_THAT(Refusal(ParseStack(Shot(50, moving + Deliver(1, "a"))), limits),
              HasSubstr("10,000 steps with key frames"));

  EXPECT_THAT(Refusal(ParseStack(Shot(501, Deliver(1))), limits), HasSubstr("501 files"));
}

std::string Rough(int lines) {
  std::string path = "M0 0";
  for (int i = 0; i < lines; ++i) absl::StrAppend(&path, " L", i % 50, " ", i % 7);
  return path;
}

// The mask is drawn at 64 instants of each frame, whatever it then takes.
TEST(Price, MasksAreCountedByPointsInstantsAndFrames) {
  const auto with = [](int lines, int frames) {
    return ParseStack(
        Shot(frames, absl::StrCat("mask { name: \"m\" shutter { degrees: 180 } shape { path: \"", Rough(lines),
                                  "\" } track { x { at { frame: 1 value: 0 } at { frame: 9 value: 900 } } } } "
                                  "pass { name: \"a\" from: \"plate\" step { grade { mask: \"m\" } } } ",
                                  Deliver(1, "a"))));
  };
  EXPECT_EQ(Refusal(with(1000, 1500)), "");
  EXPECT_THAT(Refusal(with(2500, 1500)),
              testing::AllOf(HasSubstr("1,500 frames x 64 instants of its shutter x 15,002 numbers"),
                             HasSubstr("mask \"m\""), HasSubstr("allowed 1,000,000,000")));
  const auto error = TooCostly(PriceOf(with(3000, 1), {}), {});
  ASSERT_TRUE(error.has_value());
  EXPECT_EQ(error->path(), "mask[0]");
  EXPECT_THAT(error->message(), HasSubstr("fewer points"));
}

// Nothing is listed frame by frame to find out: a price of astronomic size is known as
// soon as a small one.
TEST(Price, IsKnownWithoutCountingFrames) {
  std::string text;
  for (int i = 0; i < 4000; ++i) {
    absl::StrAppend(&text, "pass { name: \"p", i, "\" from: \"", i == 0 ? "plate" : absl::StrCat("p", i - 1),
                    "\" step { degrain { window: 3 sample { width: 9 height: 9 } } } } ");
  }
  const Stack stack = ParseStack(Shot(100'000, text + Deliver(64, "p3999")));
  const Price price = PriceOf(stack, {});
  EXPECT_GT(price.tasks, 400'000'000);
  EXPECT_THAT(Refusal(stack), HasSubstr("allowed 2,000,000"));
}

TEST(GiveUp, EndsPlanningAndTheSearchForFiles) {
  const Stack stack = ParseStack(Shot(1000, Deliver(2)));
  const auto targets = DeliverableTargets(stack);
  const Disk disk;
  int asked = 0;
  const GiveUp soon = [&] { return ++asked > 100; };
  EXPECT_TRUE(absl::IsCancelled(FindPlateFiles(stack, targets, disk.Exists(), {}, soon).status()));
  EXPECT_EQ(asked, 101) << "at once";
  const PlateFiles files = *FindPlateFiles(stack, targets, disk.Exists());
  asked = 0;
  BuildOptions options;
  options.give_up = soon;
  EXPECT_TRUE(absl::IsCancelled(BuildPlan(stack, targets, files, disk.Facts(), options).status()));
  EXPECT_EQ(asked, 101);
  options.give_up = [] { return false; };
  EXPECT_EQ(BuildPlan(stack, targets, files, disk.Facts(), options)->tasks.size(), 1000u)
      << "both write the same bytes";
}

// A plan holds no mask and no moving step: a worker's task does, when it is made.
TEST(Plan, WhatMovesIsWorkedOutWhenItIsHandedOut) {
  const Stack stack = ParseStack(Shot(9, R"(
    mask { name: "m" shape { at { frame: 1 path: "M0 0H9V9Z" } at { frame: 9 path: "M8 0H9V9Z" } } }
    pass { name: "a" from: "plate" step { grade { mask: "m" stops { at { frame: 1 value: 1 } at { frame: 9 value: 9 } } } } } )" +
                                             Deliver(1, "a")));
  const Plan plan = PlanAll(stack);
  const auto no_manifest = [](const ResultKey&) -> const Manifest* { return nullptr; };
  for (const int frame : {1, 4, 9}) {
    const TaskSpec spec = MakeTaskSpec(plan, *FindTask(plan, "a", frame), no_manifest);
    EXPECT_EQ(spec.step(0).grade().stops().value(), frame);
    EXPECT_EQ(spec.input(1).mask().shape(0).path(0).xy(0), frame - 1);
  }
}

}  // namespace
}  // namespace selvage::plan
