// Which results are stored, and why.
#include "server/plan/storing.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <map>
#include <string>

#include "absl/strings/str_cat.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using ::testing::ElementsAre;
using ::testing::Pair;
using ::testing::UnorderedElementsAre;

constexpr char kStack[] = R"(
  name: "s" frames { first: 1 last: 2 } format { width: 64 height: 64 }
  plate { name: "plate" files: "/a/%d.exr" }
  pass { name: "quiet" from: "plate" step { degrain { window: 0 profile { a { r: 1 g: 1 b: 1 } b { r: 1 g: 1 b: 1 } } } } }
  pass { name: "key" from: "quiet" step { color_difference { } } }
  pass { name: "hard" from: "key" step { levels { } } }
  pass { name: "soft" from: "hard" step { soften { sigma { value: 2 } } } }
  pass { name: "shared" from: "quiet" step { grade { } } }
  pass { name: "comp" from: "shared" step { attach_matte { matte: "soft" } } }
  deliver { name: "comp" from: "comp" files: "/out/comp.%d.exr" }
  deliver { name: "plain" from: "shared" files: "/out/plain.%d.exr" }
)";

// Of frame 1, by pass.
std::map<std::string, std::string> Chosen(const Plan& plan, const std::vector<Storing>& storing) {
  std::map<std::string, std::string> words;
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    if (plan.tasks[i].frame == 1) words[plan.tasks[i].pass] = InWords(storing[i]);
  }
  return words;
}

Probed AllToRender(const Plan& plan) {
  Probed probed;
  probed.state.assign(plan.tasks.size(), Probed::kRender);
  probed.record.resize(plan.tasks.size());
  return probed;
}

std::map<std::string, std::string> Choose(const StoringRules& rules, const std::string& text = kStack) {
  const Plan plan = PlanAll(text);
  return Chosen(plan, ChooseStoring(plan, AllToRender(plan), rules));
}

TEST(Storing, LightPassesAreHandedOnAndTheRestSaysWhyNot) {
  EXPECT_THAT(Choose({}),
              UnorderedElementsAre(Pair("quiet", "at a heavy step"), Pair("key", "handed on in memory"),
                                   Pair("hard", "handed on in memory"), Pair("soft", "handed on in memory"),
                                   Pair("shared", "read by several"), Pair("comp", "handed on in memory"),
                                   Pair("deliver comp", "deliverable"), Pair("deliver plain", "deliverable")));
}

// Whether a heavy step is rendered again is decided by what its inputs show.
TEST(Storing, WhatAHeavyStepReads) {
  std::string text = kStack;
  text.replace(text.find("step { soften"), 0, "step { refine { guide: \"plate\" } } ");
  const auto chosen = Choose({}, text);
  EXPECT_EQ(chosen.at("hard"), "at a heavy step");
  EXPECT_EQ(chosen.at("key"), "handed on in memory");
}

TEST(Storing, EverythingWhereItIsAskedFor) {
  for (const auto& [pass, why] : Choose({.all = true})) EXPECT_EQ(why, "stored") << pass;
}

TEST(Storing, WhatTheArtistKeeps) {
  std::string text = kStack;
  text.replace(text.find("step { levels"), 0, "keep: ALWAYS ");
  EXPECT_EQ(Choose({}, text).at("hard"), "keep: ALWAYS");
}

TEST(Storing, WhatThePassesReadThatAreWorkedOn) {
  const auto chosen = Choose({.working_edge = {"soft"}});
  EXPECT_EQ(chosen.at("hard"), "working edge");
  EXPECT_EQ(chosen.at("soft"), "handed on in memory");
  EXPECT_EQ(chosen.at("key"), "handed on in memory");
}

TEST(Storing, NoWayBackIsLongerThanAllowed) {
  for (int longest = 0; longest < 6; ++longest) {
    const Plan plan = PlanAll(kStack);
    const std::vector<Storing> storing = ChooseStoring(plan, AllToRender(plan), {.longest_way = longest});
    std::map<ResultKey, size_t> where;
    for (size_t i = 0; i < plan.tasks.size(); ++i) where[plan.tasks[i].key] = i;
    size_t handed_on = 0;
    for (size_t i = 0; i < plan.tasks.size(); ++i) {
      // All that is rendered again for this one.
      std::set<size_t> again;
      std::vector<size_t> todo = {i};
      while (!todo.empty()) {
        const PlannedTask& task = plan.tasks[todo.back()];
        todo.pop_back();
        for (const PlannedInput& in : task.inputs) {
          if (!in.result || storing[where.at(*in.result)] != Storing::kHandedOn) continue;
          if (again.insert(where.at(*in.result)).second) todo.push_back(where.at(*in.result));
        }
      }
      EXPECT_LE(again.size(), static_cast<size_t>(longest)) << plan.tasks[i].pass;
      handed_on += storing[i] == Storing::kHandedOn;
    }
    EXPECT_EQ(handed_on > 0, longest > 0);
  }
}

// Only what is rendered reads anything.
TEST(Storing, ReadersThatAreInTheCacheDoNotCount) {
  const Plan plan = PlanAll(kStack);
  Probed probed = AllToRender(plan);
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    if (plan.tasks[i].pass == "deliver plain") probed.state[i] = Probed::kHit;
  }
  EXPECT_EQ(Chosen(plan, ChooseStoring(plan, probed, {})).at("shared"), "handed on in memory");
}

TEST(Storing, LinesCountEachKind) {
  google::protobuf::RepeatedPtrField<StoringLine> lines;
  for (Storing s : {Storing::kHandedOn, Storing::kHeavy, Storing::kHandedOn}) CountStoring(s, &lines);
  ASSERT_EQ(lines.size(), 2);
  EXPECT_EQ(absl::StrCat(lines[0].results(), lines[0].why(), lines[0].stored()), "2handed on in memory0");
  EXPECT_EQ(absl::StrCat(lines[1].results(), lines[1].why(), lines[1].stored()), "1at a heavy step1");
}

}  // namespace
}  // namespace selvage::plan
