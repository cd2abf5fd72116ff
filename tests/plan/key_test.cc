// What is in a key, and what is not.
#include "server/plan/key.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "gmock/gmock.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

constexpr char kStack[] = R"(
  name: "shot" frames { first: 1001 last: 1024 } format { width: 64 height: 48 }
  plate { name: "plate" files: "/a/plate.%04d.exr" }
  plate { name: "meadow" files: "/a/meadow.exr" }
  mask { name: "boots" shape { path: "M0 0H9V9Z" } }
  pass { name: "clean" from: "plate" step { degrain { sample { width: 16 height: 16 } } } }
  pass { name: "core" from: "clean" step { color_difference {} } step { levels { white { value: 0.5 } } } }
  pass { name: "feet" from: "core" step { within { mask: "boots" } } }
  pass { name: "final" from: "clean" step { attach_matte { matte: "feet" } } step { premultiply {} }
         step { composite { with: "meadow" } } }
  deliver { name: "comp" from: "final" files: "/o/x.%04d.exr" }
)";

std::vector<std::string> TargetKeys(const Plan& plan) {
  std::vector<std::string> keys;
  for (const ResultKey& k : plan.targets) keys.push_back(k.Hex());
  EXPECT_FALSE(keys.empty());
  return keys;
}
std::vector<std::string> TargetKeys(const std::string& text, const Disk& disk = {}) {
  return TargetKeys(PlanAll(text, disk));
}

std::string Changed(const std::vector<std::pair<absl::string_view, absl::string_view>>& edits) {
  for (const auto& [from, to] : edits)
    EXPECT_TRUE(absl::string_view(kStack).find(from) != absl::string_view::npos) << from;
  return absl::StrReplaceAll(kStack, edits);
}

TEST(Key, NamesNotesPathsAndKeepDoNotMatter) {
  const auto before = TargetKeys(kStack);
  EXPECT_EQ(TargetKeys(Changed({{"\"core\"", "\"inner\""}, {"\"clean\"", "\"quiet\""}, {"\"boots\"", "\"shoes\""}})),
            before);
  EXPECT_EQ(
      TargetKeys(Changed({{"pass { name: \"feet\"", "pass { keep: ALWAYS note: \"see dailies\" name: \"feet\""}})),
      before);
  EXPECT_EQ(TargetKeys(Changed({{"name: \"comp\"", "name: \"other\""}, {"/o/x.", "/elsewhere/y."}})), before);
  // The same bytes at another place.
  Disk disk;
  for (int f = 1000; f < 1030; ++f)
    disk.content[absl::StrCat("/b/p.", f, ".exr")] = absl::StrCat("/a/plate.", f, ".exr");
  EXPECT_EQ(TargetKeys(Changed({{"/a/plate.%04d", "/b/p.%d"}}), disk), before);
}

TEST(Key, OrderInTheFileDoesNotMatter) {
  Stack stack = ParseStack(kStack);
  const auto before = TargetKeys(PlanAll(stack));
  std::reverse(stack.mutable_pass()->begin(), stack.mutable_pass()->end());
  EXPECT_EQ(TargetKeys(PlanAll(stack)), before);
}

TEST(Key, WritingOutADefaultDoesNotMatter) {
  EXPECT_EQ(
      TargetKeys(Changed({{"color_difference {}", "color_difference { screen { hue: GREEN } amount { value: 1 } }"},
                          {"levels {", "levels { black { value: -0.0 } unclamped: false"}})),
      TargetKeys(kStack));
}

TEST(Key, AliasesDoNotMatter) {
  EXPECT_EQ(TargetKeys(Changed({{"pass { name: \"feet\" from: \"core\"",
                                 "pass { name: \"same\" from: \"core\" } pass { name: \"feet\" from: \"same\""}})),
            TargetKeys(kStack));
}

TEST(Key, EverythingThatCanChangeAPixelMatters) {
  std::vector<std::string> stacks = {
      kStack,
      Changed({{"white { value: 0.5 }", "white { value: 0.5000001 }"}}),
      Changed({{"white { value: 0.5 }", "white { value: 0.5 } invert: true"}}),
      Changed({{"color_difference {}", "color_difference { screen { hue: BLUE } }"}}),
      Changed({{"color_difference {}", "color_difference { screen { clean_plate: \"meadow\" } }"}}),
      Changed({{"color_difference {}", "chroma_range {}"}}),
      Changed({{"degrain {", "degrain { window: 2"}}),
      Changed({{"{ width: 16 height: 16 }", "{ x: 1 width: 16 height: 16 }"}}),
      Changed({{"{ width: 16 height: 16 }", "{ width: 16 height: 16 frame: 1002 }"}}),
      Changed({{"degrain { sample { width: 16 height: 16 } }", "degrain {}"}}),
      Changed({{"M0 0H9V9Z", "M0 0H9V8Z"}}),
      Changed({{"path: \"M0 0H9V9Z\"", "path: \"M0 0H9V9Z\" feather { value: 1 }"}}),
      Changed({{"mask { name: \"boots\"", "mask { invert: true name: \"boots\""}}),
      Changed({{"within", "without"}}),
      Changed({{"composite {", "composite { rule: PLUS"}}),
      Changed({{"step { premultiply {} }", "step { premultiply {} } step { soften {} }"}}),
      Changed({{"width: 64 height: 48 }", "width: 64 height: 49 }"}}),
      Changed({{"/a/meadow.exr\"", "/a/meadow.exr\" encoding: ENCODING_SRGB"}}),
      Changed({{"/a/meadow.exr\"", "/a/meadow.exr\" alpha: ASSOCIATED"}}),
      // Written into the header of the file.
      Changed({{"\"shot\"", "\"shot2\""}}),
  };
  std::set<std::string> seen;
  for (const std::string& s : stacks) EXPECT_TRUE(seen.insert(TargetKeys(s)[3]).second) << s;
  Disk other;
  other.content["/a/meadow.exr"] = "greener";
  EXPECT_TRUE(seen.insert(TargetKeys(kStack, other)[3]).second);
}

TEST(Key, WhichInputIsWhichMatters) {
  auto merge = [](const std::string& a, const std::string& b) {
    return TargetKeys(
        "name: \"s\" frames { first: 1 last: 1 } format { width: 8 height: 8 } "
        "plate { name: \"x\" files: \"/x.exr\" } plate { name: \"y\" files: \"/y.exr\" } "
        "pass { name: \"p\" from: \"" +
        a + "\" step { composite { with: \"" + b +
        "\" } } } "
        "deliver { name: \"d\" from: \"p\" files: \"/o.exr\" }");
  };
  EXPECT_NE(merge("x", "y"), merge("y", "x"));
  EXPECT_NE(merge("x", "y"), merge("x", "x"));
}

TEST(Key, TheFrameDoesNotMatterWhereNothingMoves) {
  const Plan plan = PlanAll(R"(
    name: "s" frames { first: 1 last: 500 } format { width: 8 height: 8 }
    plate { name: "still" files: "/x.exr" }
    pass { name: "p" from: "still" step { grade {} } }
    deliver { name: "d" from: "p" files: "/o.%d.exr" })");
  EXPECT_EQ(plan.tasks.size(), 2u);
  EXPECT_EQ(plan.targets.size(), 500u);
}

TEST(Key, AMovedKeyFrameLeavesFramesOfEqualValueAlone) {
  const std::string at = "white { value: 0.5 }";
  const std::string before =
      "white { at { frame: 1001 value: 0.5 } at { frame: 1010 value: 0.6 } at { frame: 1020 value: 0.7 } }";
  const std::string moved =
      "white { at { frame: 1001 value: 0.5 } at { frame: 1010 value: 0.6 } at { frame: 1022 value: 0.7 } }";
  const auto a = TargetKeys(Changed({{at, before}})), b = TargetKeys(Changed({{at, moved}}));
  for (int f = 1001; f <= 1024; ++f) {
    const bool same = f <= 1010 || f >= 1022;
    EXPECT_EQ(a[f - 1001] == b[f - 1001], same) << f;
  }
}

TEST(Key, AnEpochMattersForItsPassItsFramesAndWhatReadsThem) {
  const Plan before = PlanAll(kStack);
  const Plan after = PlanAll(kStack, {}, [](const std::string& pass, int32_t frame) -> uint64_t {
    return pass == "core" && frame == 1005 ? 17 : 0;
  });
  for (const char* pass : {"clean", "core", "feet", "final", "deliver comp"}) {
    for (int f = 1001; f <= 1024; ++f) {
      const bool touched = f == 1005 && pass != std::string("clean");
      EXPECT_EQ(KeyAt(before, pass, f) != KeyAt(after, pass, f), touched) << pass << " " << f;
    }
  }
  EXPECT_TRUE(SameSettings(FindTask(before, "core", 1005)->recipe, FindTask(after, "core", 1005)->recipe));
  EXPECT_NE(FindTask(before, "core", 1005)->recipe, FindTask(after, "core", 1005)->recipe);
  // Below it the recipe is the same and the key is not.
  EXPECT_EQ(FindTask(before, "feet", 1005)->recipe, FindTask(after, "feet", 1005)->recipe);
}

TEST(Key, AReplacedPlateFrameChangesTheFramesThatReadIt) {
  Disk other;
  other.content["/a/plate.1010.exr"] = "new";
  const Plan before = PlanAll(kStack), after = PlanAll(kStack, other);
  // The window of degrain is 1. (The box is measured at 1001.)
  for (int f = 1001; f <= 1024; ++f) {
    EXPECT_EQ(KeyAt(before, "clean", f) != KeyAt(after, "clean", f), f >= 1009 && f <= 1011) << f;
  }
}

TEST(TraceKey, HoldsTheRecipeAndTheContentsInOrder) {
  const Plan plan = PlanAll(kStack);
  const PlannedTask& task = *FindTask(plan, "final", 1001);
  const Digest a = Sha256("a"), b = Sha256("b");
  EXPECT_EQ(TraceKey(task, {a, b}), TraceKey(task, {a, b}));
  EXPECT_NE(TraceKey(task, {a, b}), TraceKey(task, {b, a}));
  EXPECT_NE(TraceKey(task, {a, b}), TraceKey(*FindTask(plan, "core", 1001), {a, b}));
  EXPECT_NE(TraceKey(task, {a, b}), task.key.digest);
}

// What was above may change: as long as it gives the same pixels, the trace stays.
TEST(TraceKey, DoesNotKnowTheKeysAbove) {
  const Plan before = PlanAll(kStack), after = PlanAll(Changed({{"white { value: 0.5 }", "white { value: 0.6 }"}}));
  const PlannedTask &a = *FindTask(before, "feet", 1001), &b = *FindTask(after, "feet", 1001);
  EXPECT_NE(a.key, b.key);
  EXPECT_EQ(TraceKey(a, {Sha256("x")}), TraceKey(b, {Sha256("x")}));
}

constexpr char kThreePasses[] = R"(
  name: "shot" frames { first: 1 last: 3 } format { width: 64 height: 48 }
  plate { name: "plate" files: "/a/%d.exr" }
  pass { name: "clean" from: "plate" step { degrain { window: 1 } } }
  pass { name: "core" from: "clean" step { color_difference {} } }
  pass { name: "apart" from: "plate" step { color_difference {} } }
  deliver { name: "d" from: "core" layer { name: "apart" from: "apart" } files: "/o.%d.exr" }
)";

TEST(Epochs, ByDefaultOnlyTheRecipeOfThePassItselfChanges) {
  const Plan before = PlanAll(kThreePasses);
  const Plan after = PlanAll(
      kThreePasses, {}, [](const std::string& pass, int32_t f) { return Epoch(pass == "clean" && f == 3 ? 7 : 0); });
  EXPECT_NE(FindTask(after, "clean", 3)->recipe, FindTask(before, "clean", 3)->recipe);
  EXPECT_EQ(FindTask(after, "core", 3)->recipe, FindTask(before, "core", 3)->recipe)
      << "cut off by its trace if the pixels are the same";
  EXPECT_NE(FindTask(after, "core", 3)->key, FindTask(before, "core", 3)->key);
  EXPECT_EQ(FindTask(after, "core", 2)->key, FindTask(before, "core", 2)->key);
}

TEST(Epochs, WithDependentsEverythingBelowHasAnotherRecipeAndNothingElse) {
  const Plan before = PlanAll(kThreePasses);
  const Plan after = PlanAll(kThreePasses, {}, [](const std::string& pass, int32_t f) {
    return pass == "clean" && f == 3 ? Epoch(7, 7) : Epoch();
  });
  for (const std::string pass : {"clean", "core", "deliver d"}) {
    EXPECT_NE(FindTask(after, pass, 3)->recipe, FindTask(before, pass, 3)->recipe) << pass;
    EXPECT_EQ(FindTask(after, pass, 3)->epoch, 7u) << pass;
    EXPECT_EQ(FindTask(after, pass, 1)->key, FindTask(before, pass, 1)->key) << pass;
  }
  EXPECT_EQ(KeyAt(after, "apart", 3), KeyAt(before, "apart", 3));
}

TEST(Epochs, ADisownedResultIsNeverAskedForAgain) {
  const Stack stack = ParseStack(kThreePasses);
  const std::vector<Target> targets = DeliverableTargets(stack);
  const Disk disk;
  const PlateFiles files = *FindPlateFiles(stack, targets, disk.Exists());
  std::map<ResultKey, Epoch> disowned;
  const auto plan = [&] {
    BuildOptions options;
    options.disowned = [&](const ResultKey& key) {
      auto it = disowned.find(key);
      return it == disowned.end() ? Epoch() : it->second;
    };
    return *BuildPlan(stack, targets, files, disk.Facts(), options);
  };
  const Plan first = plan();
  disowned[KeyAt(first, "clean", 2)] = Epoch(5);
  const Plan second = plan();
  EXPECT_NE(KeyAt(second, "clean", 2), KeyAt(first, "clean", 2));
  EXPECT_NE(KeyAt(second, "core", 2), KeyAt(first, "core", 2)) << "keys are deep";
  EXPECT_EQ(FindTask(second, "core", 2)->recipe, FindTask(first, "core", 2)->recipe);
  EXPECT_EQ(KeyAt(second, "clean", 1), KeyAt(first, "clean", 1));
  // What came in its place can be disowned in turn, this time with all below.
  disowned[KeyAt(second, "clean", 2)] = Epoch(9, 9);
  const Plan third = plan();
  EXPECT_EQ(FindTask(third, "clean", 2)->epoch, 9u);
  EXPECT_EQ(FindTask(third, "deliver d", 2)->epoch, 9u);
  EXPECT_EQ(FindTask(third, "deliver d", 1)->epoch, 0u);
  for (const Plan* older : {&first, &second}) EXPECT_NE(KeyAt(third, "clean", 2), KeyAt(*older, "clean", 2));
}

}  // namespace
}  // namespace selvage::plan
