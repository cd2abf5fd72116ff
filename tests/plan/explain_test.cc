#include "server/plan/explain.h"

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "cache/memory_result_index.h"
#include "gmock/gmock.h"
#include "tests/plan/stacks.h"

namespace selvage {
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

// A daemon's memory: results and names, as a finished submission leaves them.
struct Memory {
  MemoryResultIndex index;

  void Finish(const Plan& plan) {
    IndexBatch batch;
    for (const PlannedTask& t : plan.tasks) {
      batch.results.push_back({t.key, ResultRecord{}});
      batch.names.push_back({"shot", t.pass, t.segment, t.frame, t.key, t.recipe});
    }
    ASSERT_TRUE(index.Commit(batch).ok());
  }
  // "core 4 0/4: reason [1 2 3 4]": total, rendered and reused, reasons.
  std::vector<std::string> Explain(const Plan& plan) {
    std::vector<std::string> lines;
    const auto probed = Probe(plan, index);
    const auto names = index.FindNames("shot", "");
    EXPECT_TRUE(probed.ok() && names.ok());
    for (const PassPlan& p : ExplainPlan(plan, *probed, *names)) {
      EXPECT_EQ(p.total(), p.render() + p.reuse());
      std::string line = absl::StrCat(p.pass(), " ", p.render(), "/", p.total());
      for (const PlanReason& r : p.reason()) absl::StrAppend(&line, ": ", r.text(), " [", absl::StrJoin(r.frame(), " "), "]");
      lines.push_back(line);
    }
    return lines;
  }
};

TEST(Explain, EverythingIsNewAtFirst) {
  Memory memory;
  EXPECT_THAT(memory.Explain(PlanAll(kStack)),
              ElementsAre("core 4/4: not rendered before [1 2 3 4]", "feet 4/4: not rendered before [1 2 3 4]",
                          "soft 4/4: not rendered before [1 2 3 4]", "deliver d 4/4: not rendered before [1 2 3 4]"));
}

TEST(Explain, NothingIsRenderedAgainWithoutAChange) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  EXPECT_THAT(memory.Explain(PlanAll(kStack)), ElementsAre("core 0/4", "feet 0/4", "soft 0/4", "deliver d 0/4"));
}

TEST(Explain, ChangedSettingsAndWhatHangsFromThem) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const Plan plan = PlanAll(absl::StrReplaceAll(kStack, {{"soften {}", "soften { sigma { at { frame: 2 value: 1 } at { frame: 4 value: 3 } } }"}}));
  EXPECT_THAT(memory.Explain(plan), ElementsAre("core 0/4", "feet 0/4", "soft 2/4: its own settings changed [3 4]",
                                                "deliver d 2/4: pass \"soft\" above it changed [3 4]"));
}

TEST(Explain, TheChangeIsNamedWhereItBegan) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  EXPECT_THAT(memory.Explain(PlanAll(absl::StrReplaceAll(kStack, {{"0.5", "0.6"}}))),
              ElementsAre("core 4/4: its own settings changed, or plate \"plate\" [1 2 3 4]",
                          "feet 4/4: pass \"core\" above it changed, or plate \"plate\" [1 2 3 4]",
                          "soft 4/4: pass \"core\" above it changed, or plate \"plate\" [1 2 3 4]",
                          "deliver d 4/4: pass \"core\" above it changed, or plate \"plate\" [1 2 3 4]"));
}

TEST(Explain, AMaskBelongsToWhatReadsIt) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const auto lines = memory.Explain(PlanAll(absl::StrReplaceAll(kStack, {{"H9V9", "H8V9"}})));
  EXPECT_EQ(lines[0], "core 0/4");
  EXPECT_EQ(lines[1], "feet 4/4: its own settings changed, or mask \"boots\" [1 2 3 4]");
}

TEST(Explain, Invalidated) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const Plan plan = PlanAll(kStack, {}, [](const std::string& pass, int32_t f) { return pass == "feet" && f == 2 ? 9u : 0u; });
  EXPECT_THAT(memory.Explain(plan), ElementsAre("core 0/4", "feet 1/4: it was invalidated [2]",
                                                "soft 1/4: pass \"feet\" above it was invalidated [2]",
                                                "deliver d 1/4: pass \"feet\" above it was invalidated [2]"));
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
  EXPECT_THAT(memory.Explain(plan), ElementsAre("core 0/4", "feet 1/4: its result is no longer in the cache [3]",
                                                "soft 1/4: its result is no longer in the cache [3]",
                                                "deliver d 1/4: its result is no longer in the cache [3]"));
}

TEST(Explain, ANewPassAboveIsNamed) {
  Memory memory;
  memory.Finish(PlanAll(kStack));
  const Plan plan = PlanAll(absl::StrReplaceAll(
      kStack, {{"pass { name: \"soft\" from: \"feet\"", "pass { name: \"hard\" from: \"feet\" step { choke {} } } pass { name: \"soft\" from: \"hard\""}}));
  const auto lines = memory.Explain(plan);
  EXPECT_EQ(lines[2], "hard 4/4: not rendered before [1 2 3 4]");
  EXPECT_EQ(lines[3], "soft 4/4: pass \"hard\" above it is new [1 2 3 4]");
}

}  // namespace
}  // namespace selvage
