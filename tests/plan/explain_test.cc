#include "server/plan/explain.h"

#include <map>
#include <tuple>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "cache/memory_result_index.h"
#include "gmock/gmock.h"
#include "server/engine/probe.h"
#include "server/plan/ingredients.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using ::testing::ElementsAre;

constexpr char kStack[] = R"(
  name: "shot" frames { first: 1 last: 4 } format { width: 64 height: 48 }
  plate { name: "plate" files: "/a/%d.exr" }
  mask { name: "boots" shape { path: "M0 0H9V9Z" } }
  pass { name: "core" from: "plate" step { color_difference {} } step { levels { white { value: 0.5 } } } }
  pass { name: "feet" from: "core" step { within { mask: "boots" } } }
  pass { name: "soft" from: "feet" step { soften {} } }
  deliver { name: "d" from: "soft" files: "/o.%d.exr" }
)";

// A daemon's memory: results, names and ingredients, as a finished submission
// leaves them.
struct Memory {
  MemoryResultIndex index;
  std::map<std::tuple<std::string, uint32_t, int32_t>, std::string> ingredients;
  bool remembers_ingredients = true;

  void Finish(const Plan& plan) {
    IndexBatch batch;
    for (const PlannedTask& t : plan.tasks) {
      batch.results.push_back({t.key, ResultRecord{}});
      batch.names.push_back({"shot", t.pass, t.segment, t.frame, t.key, t.recipe});
      ingredients[{t.pass, t.segment, t.frame}] = IngredientsOf(plan, t).SerializeAsString();
    }
    ASSERT_TRUE(index.Commit(batch).ok());
  }
  Remembered Recall() {
    Remembered before;
    before.names = index.FindNames("shot", "").value();
    before.ingredients = [this](const NameRecord& n) -> std::optional<Ingredients> {
      Ingredients made_of;
      const auto it = ingredients.find({n.pass, n.segment, n.frame});
      if (!remembers_ingredients || it == ingredients.end() || !made_of.ParseFromString(it->second))
        return std::nullopt;
      return made_of;
    };
    before.damaged = [this](const ResultKey& key) { return index.FindValue(DamagedName(key)).value().has_value(); };
    before.invalidation = [](uint64_t epoch) { return absl::StrCat("invalidated by number ", epoch); };
    return before;
  }
  static std::string Show(const PlanReason& r) {
    return absl::StrCat(r.pass(), r.pass().empty() ? "" : ": ", r.text(), " [", absl::StrJoin(r.frame(), " "), "]");
  }
  // "core 4/4: reason [1 2 3 4]": rendered and total, reasons.
  std::vector<std::string> Explain(const std::string& stack, const Plan& plan) {
    std::vector<std::string> lines;
    const auto probed = Probe(plan, index);
    EXPECT_TRUE(probed.ok());
    for (const PassPlan& p : ExplainPlan(ParseStack(stack), plan, *probed, Recall())) {
      EXPECT_EQ(p.total(), p.render() + p.reuse());
      std::string line = absl::StrCat(p.pass(), " ", p.render(), "/", p.total());
      for (const PlanReason& r : p.reason()) absl::StrAppend(&line, ": ", Show(r));
      lines.push_back(line);
    }
    return lines;
  }
  std::vector<std::string> Explain(const std::string& stack) { return Explain(stack, PlanAll(stack)); }
  std::vector<std::string> Why(const std::string& text, const std::string& pass, const Disk& disk = {}) {
    const Stack stack = ParseStack(text);
    const std::vector<Target> targets = PassTargets(stack, pass);
    const Plan plan = PlanTargets(stack, targets, disk);
    const auto probed = Probe(plan, index);
    EXPECT_TRUE(probed.ok());
    std::vector<std::string> lines;
    for (const PlanReason& r : ExplainTargets(stack, plan, targets, *probed, Recall())) lines.push_back(Show(r));
    return lines;
  }
};

std::string With(const std::string& from, const std::string& to) {
  EXPECT_NE(std::string(kStack).find(from), std::string::npos) << from;
  return absl::StrReplaceAll(kStack, {{from, to}});
}

TEST(Explain, EverythingIsNewAtFirst) {
  Memory memory;
  EXPECT_THAT(memory.Explain(kStack),
              ElementsAre("core 4/4: not rendered before [1 2 3 4]", "feet 4/4: not rendered before [1 2 3 4]",
                          "soft 4/4: not rendered before [1 2 3 4]", "deliver d 4/4: not rendered before [1 2 3 4]"));
}

TEST(Explain, NothingIsRenderedAgainWithoutAChange) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  EXPECT_THAT(memory.Explain(kStack), ElementsAre("core 0/4", "feet 0/4", "soft 0/4", "deliver d 0/4"));
  EXPECT_THAT(memory.Why(kStack, "feet"), ElementsAre("nothing changed: would be reused [1 2 3 4]"));
}

TEST(Explain, AValueThatMovesIsNamedAtEachFrame) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  // The default is 1 at all frames; frame 2 keeps it.
  EXPECT_THAT(
      memory.Explain(With("soften {}", "soften { sigma { at { frame: 2 value: 1 } at { frame: 4 value: 3 } } }")),
      ElementsAre("core 0/4", "feet 0/4", "soft 2/4: soften.sigma 1 -> 2 [3]: soften.sigma 1 -> 3 [4]",
                  "deliver d 2/4: soft: soften.sigma 1 -> 2 [3]: soft: soften.sigma 1 -> 3 [4]"));
}

TEST(Explain, TheChangeIsNamedWhereItBegan) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  EXPECT_THAT(
      memory.Explain(With("0.5", "0.6")),
      ElementsAre("core 4/4: levels.white 0.5 -> 0.6 [1 2 3 4]", "feet 4/4: core: levels.white 0.5 -> 0.6 [1 2 3 4]",
                  "soft 4/4: core: levels.white 0.5 -> 0.6 [1 2 3 4]",
                  "deliver d 4/4: core: levels.white 0.5 -> 0.6 [1 2 3 4]"));
  EXPECT_THAT(memory.Why(With("0.5", "0.6"), "soft"), ElementsAre("core: levels.white 0.5 -> 0.6 [1 2 3 4]"));
}

TEST(Explain, OfSeveralStepsOfAKindTheNumberIsNamed) {
  Memory memory;
  const std::string twice = With("step { levels { white { value: 0.5 } } }",
                                 "step { levels { white { value: 0.5 } } } step { levels { gamma { value: 1 } } }");
  memory.Finish(PlanAll(twice));
  EXPECT_THAT(memory.Why(absl::StrReplaceAll(twice, {{"gamma { value: 1 }", "gamma { value: 1.25 }"}}), "core"),
              ElementsAre("levels[2].gamma 1 -> 1.25 [1 2 3 4]"));
}

TEST(Explain, StepsAddedTakenOutAndReplaced) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const std::string levels = "step { levels { white { value: 0.5 } } }";
  EXPECT_THAT(memory.Why(With(levels, levels + " step { choke {} }"), "core"),
              ElementsAre("choke was added [1 2 3 4]"));
  EXPECT_THAT(memory.Why(With(levels, ""), "core"), ElementsAre("levels was removed [1 2 3 4]"));
  EXPECT_THAT(memory.Why(With(levels, "step { choke {} }"), "core"), ElementsAre("choke replaced levels [1 2 3 4]"));
  // A heavy step moves the borders of segments.
  EXPECT_THAT(memory.Why(With("from: \"plate\"",
                              "from: \"plate\" step { degrain { window: 1 sample { width: 16 height: 16 } } }"),
                         "soft"),
              ElementsAre("core: degrain was added [1 2 3 4]"));
}

TEST(Explain, AMaskBelongsToWhatReadsIt) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const auto lines = memory.Explain(With("H9V9", "H8V9"));
  EXPECT_EQ(lines[0], "core 0/4");
  EXPECT_EQ(lines[1], "feet 4/4: mask \"boots\": outline changed [1 2 3 4]");
  EXPECT_THAT(memory.Why(With("Z\" }", "Z\" feather { value: 3 } }"), "feet"),
              ElementsAre("mask \"boots\": feather 0 -> 3 [1 2 3 4]"));
  EXPECT_THAT(memory.Why(With("Z\" }", "Z\" } shape { path: \"M1 0H9V9Z\" }"), "feet"),
              ElementsAre("mask \"boots\" has 2 shapes (had 1) [1 2 3 4]"));
}

TEST(Explain, PlatesHaveOtherContentOrAnotherFile) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  Disk replaced;
  replaced.content["/a/3.exr"] = "reshot";
  EXPECT_THAT(memory.Why(kStack, "soft", replaced), ElementsAre("nothing changed: would be reused [1 2 4]",
                                                                "core: plate \"plate\": file contents changed [3]"));
  EXPECT_THAT(memory.Why(With("/a/%d.exr\" }", "/b/%d.exr\" frames { first: 1 last: 4 } }"), "core").front(),
              "plate \"plate\": file is now /b/1.exr (was /a/1.exr) [1]");
}

TEST(Explain, ANeighbouringFrameIsNamed) {
  Memory memory;
  const std::string grainy = With("from: \"plate\"", "from: \"plate\" step { degrain { window: 1 } }");
  memory.Finish(PlanAll(grainy));
  Disk replaced;
  replaced.content["/a/4.exr"] = "reshot";
  EXPECT_THAT(memory.Why(grainy, "core", replaced), ElementsAre("nothing changed: would be reused [1 2]",
                                                                "plate \"plate\" frame 4: file contents changed [3]",
                                                                "plate \"plate\": file contents changed [4]"));
}

TEST(Explain, AnotherInputIsNamed) {
  Memory memory;
  const std::string two =
      With("pass { name: \"feet\"",
           "pass { name: \"other\" from: \"plate\" step { color_difference {} } } pass { name: \"feet\"");
  memory.Finish(PlanAll(two));
  const auto lines =
      memory.Why(absl::StrReplaceAll(two, {{"\"feet\" from: \"core\"", "\"feet\" from: \"other\""}}), "feet");
  EXPECT_THAT(lines, ElementsAre("from is now \"other\" (was \"core\") [1 2 3 4]"));
}

TEST(Explain, AMeasuredBoxIsNamedAsItsAuthorWroteIt) {
  Memory memory;
  const std::string boxed =
      With("color_difference {}", "color_difference { screen { sample { x: 4 y: 4 width: 8 height: 8 } } }");
  memory.Finish(PlanAll(boxed));
  EXPECT_THAT(memory.Why(absl::StrReplaceAll(boxed, {{"x: 4", "x: 5"}}), "soft"),
              ElementsAre("core: color_difference.screen.sample.x 4 -> 5 [1 2 3 4]"));
}

TEST(Explain, ARevisedOperatorIsNamed) {
  Memory memory;
  const Plan plan = PlanAll(kStack);
  memory.Finish(plan);
  // As an older program left it: same values, another revision in the recipe.
  const PlannedTask& core = *FindTask(plan, "core", 1);
  Ingredients old = IngredientsOf(plan, core);
  old.set_revision(1, old.revision(1) + 6);
  memory.ingredients[{"core", core.segment, 1}] = old.SerializeAsString();
  IndexBatch batch;
  batch.names.push_back({"shot", "core", core.segment, 1, KeyAt(plan, "feet", 1), Sha256("older recipe")});
  batch.forget.push_back(core.key);
  ASSERT_TRUE(memory.index.Commit(batch).ok());
  EXPECT_EQ(memory.Why(kStack, "core").front(),
            absl::StrCat("levels is now revision ", old.revision(1) - 6, " (was ", old.revision(1), ") [1]"));
}

TEST(Explain, WithoutIngredientsItSaysAsMuchAsItKnows) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  memory.remembers_ingredients = false;
  EXPECT_THAT(memory.Why(With("0.5", "0.6"), "soft"), ElementsAre("core: its own settings changed [1 2 3 4]"));
}

TEST(Explain, Invalidated) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const Plan plan =
      PlanAll(kStack, {}, [](const std::string& pass, int32_t f) { return pass == "feet" && f == 2 ? 9u : 0u; });
  EXPECT_THAT(memory.Explain(kStack, plan), ElementsAre("core 0/4", "feet 1/4: invalidated by number 9 [2]",
                                                        "soft 1/4: feet: invalidated by number 9 [2]",
                                                        "deliver d 1/4: feet: invalidated by number 9 [2]"));
}

TEST(Explain, GoneFromTheCache) {
  Memory memory;
  const Plan plan = PlanAll(kStack);
  memory.Finish(plan);
  IndexBatch batch;
  for (const PlannedTask& t : plan.tasks) {
    if (t.frame == 3 && t.pass != "core") batch.forget.push_back(t.key);
  }
  ASSERT_TRUE(memory.index.Commit(batch).ok());
  EXPECT_THAT(memory.Explain(kStack),
              ElementsAre("core 0/4", "feet 1/4: evicted from the cache [3]", "soft 1/4: evicted from the cache [3]",
                          "deliver d 1/4: evicted from the cache [3]"));
}

TEST(Explain, DamageIsNotEviction) {
  Memory memory;
  const Plan plan = PlanAll(kStack);
  memory.Finish(plan);
  IndexBatch batch;
  batch.ForgetDamaged(KeyAt(plan, "deliver d", 2));
  ASSERT_TRUE(memory.index.Commit(batch).ok());
  EXPECT_EQ(memory.Explain(kStack).back(), "deliver d 1/4: found damaged in the cache [2]");
  // Rendered again, then evicted.
  memory.Finish(plan);
  ASSERT_TRUE(memory.index.Commit({.forget = {KeyAt(plan, "deliver d", 2)}}).ok());
  EXPECT_EQ(memory.Explain(kStack).back(), "deliver d 1/4: evicted from the cache [2]");
}

TEST(Explain, WhatWasRenderedLongBeforeIsReusedAndSaysSo) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  memory.Finish(PlanAll(With("0.5", "0.6")));
  EXPECT_THAT(memory.Why(kStack, "core"),
              ElementsAre("levels.white 0.6 -> 0.5; rendered like this before: would be reused [1 2 3 4]"));
}

TEST(Explain, ANewPassAboveIsNamed) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const std::string with_hard =
      With("pass { name: \"soft\" from: \"feet\"",
           "pass { name: \"hard\" from: \"feet\" step { choke {} } } pass { name: \"soft\" from: \"hard\"");
  const auto lines = memory.Explain(with_hard);
  EXPECT_EQ(lines[2], "hard 4/4: not rendered before [1 2 3 4]");
  EXPECT_EQ(lines[3], "soft 4/4: from is now \"hard\" (was \"feet\") [1 2 3 4]");
}

}  // namespace
}  // namespace selvage::plan
