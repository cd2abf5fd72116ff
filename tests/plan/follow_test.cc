// Masks that follow the picture: what is carried from where, and what a
// correction reaches.
#include <map>
#include <set>
#include <tuple>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "cache/memory_result_index.h"
#include "gmock/gmock.h"
#include "proto/catalogue.h"
#include "server/engine/probe.h"
#include "server/plan/cut.h"
#include "server/plan/explain.h"
#include "server/plan/ingredients.h"
#include "server/plan/names.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

// Nine frames; the mask is drawn where `shapes` say.
std::string Shot(const std::string& shapes, const std::string& picture = "plate", const std::string& more = "") {
  return absl::StrCat(R"(
    name: "shot" frames { first: 1 last: 9 } format { width: 64 height: 48 }
    plate { name: "plate" files: "/a/%d.exr" }
    mask { name: "boots" )",
                      shapes, " follow { picture: \"", picture, "\" } }", R"(
    pass { name: "core" from: "plate" step { color_difference {} } step { within { mask: "boots" } } }
    deliver { name: "d" from: "core" files: "/o.%d.exr" }
  )",
                      more);
}

std::string Drawn(const std::vector<int>& frames, int size = 9, const std::string& more = "") {
  std::string text = "shape { ";
  for (int f : frames) absl::StrAppend(&text, "at { frame: ", f, " path: \"M0 0H", size, "V", 9 + f, "Z\" } ");
  return text + more + " }";
}

// "carry_points 3 5": an operator of the mask and its frames, by segment.
std::vector<std::string> TasksOf(const Plan& plan, const std::string& pass) {
  std::map<uint32_t, std::pair<std::string, std::set<int>>> found;
  for (const PlannedTask& t : plan.tasks) {
    if (t.pass != pass) continue;
    found[t.segment].first = OperatorOf(t.steps->front())->name;
    found[t.segment].second.insert(t.frame);
  }
  std::vector<std::string> out;
  for (const auto& [segment, tasks] : found)
    out.push_back(absl::StrCat(tasks.first, " ", absl::StrJoin(tasks.second, " ")));
  return out;
}

// What a task reads: "shape[0].before=mask boots/1@3".
std::vector<std::string> Reads(const Plan& plan, const std::string& pass, int frame, int segment) {
  std::vector<std::string> out;
  for (const PlannedInput& in : FindTask(plan, pass, frame, segment)->inputs) {
    std::string from = in.plate ? absl::StrCat("plate ", in.plate->path()) : in.mask ? "mask" : "";
    for (const PlannedTask& t : plan.tasks) {
      if (in.result && t.key == *in.result) from = absl::StrCat(t.pass, "/", t.segment, "@", t.frame);
    }
    out.push_back(absl::StrCat(in.port, "=", from));
  }
  return out;
}

const DrawMask::Shape& Shape(const Plan& plan, int frame) {
  return FindTask(plan, "mask boots", frame, 0)->steps->front().draw_mask().shape(0);
}

TEST(Follow, DrawnOnceItIsCarriedBothWaysFromThere) {
  const Plan plan = PlanAll(Shot(Drawn({4})));
  EXPECT_THAT(TasksOf(plan, "mask boots"),
              ElementsAre("draw_mask 1 2 3 4 5 6 7 8 9", "carry_points 5 6 7 8 9", "carry_points 1 2 3"));
  EXPECT_THAT(TasksOf(plan, "motion plate"), ElementsAre("motion_field 1 2 3 4 5 6 7 8"));
  EXPECT_THAT(Reads(plan, "mask boots", 6, 1), ElementsAre("from=mask boots/1@5", "motion=motion plate/0@5"));
  EXPECT_THAT(Reads(plan, "mask boots", 2, 2), ElementsAre("from=mask boots/2@3", "motion=motion plate/0@2"));
  EXPECT_THAT(Reads(plan, "motion plate", 3, 0), ElementsAre("in=plate /a/3.exr", "to=plate /a/4.exr"));
  // The first on either side begins at the drawing itself.
  EXPECT_THAT(Reads(plan, "mask boots", 5, 1), ElementsAre("motion=motion plate/0@4"));
  EXPECT_EQ(FindTask(plan, "mask boots", 5, 1)->steps->front().carry_points().drawn().path_size(), 1);
  EXPECT_EQ(FindTask(plan, "mask boots", 6, 1)->steps->front().carry_points().drawn().path_size(), 0);
  EXPECT_FALSE(FindTask(plan, "mask boots", 5, 1)->steps->front().carry_points().backward());
  EXPECT_TRUE(FindTask(plan, "mask boots", 3, 2)->steps->front().carry_points().backward());
  // A worker is told of the ports that it gets and of no others.
  for (const PlannedTask& t : plan.tasks) {
    if (t.pass != "mask boots") continue;
    std::set<std::string> told, given;
    for (const Port& port : PortsOf(ParamsOf(t.steps->front()))) told.insert(port.path);
    for (const PlannedInput& in : t.inputs) given.insert(in.port);
    EXPECT_EQ(told, given) << t.segment << " at " << t.frame;
  }
}

TEST(Follow, AtAKeyFrameItIsWhatWasDrawnAndReadsNothing) {
  const Plan plan = PlanAll(Shot(Drawn({4})));
  EXPECT_THAT(Reads(plan, "mask boots", 4, 0), IsEmpty());
  ASSERT_EQ(Shape(plan, 4).drawn().path_size(), 1);
  // A mask that doesn't follow has the same curves.
  const Plan plain = PlanAll(absl::StrReplaceAll(Shot(Drawn({4})), {{"follow { picture: \"plate\" }", ""}}));
  const auto& curves = FindTask(plain, "core", 4)->inputs.back().mask->shape(0).path(0).xy();
  EXPECT_THAT(Shape(plan, 4).drawn().path(0).xy(), ::testing::ElementsAreArray(curves));
  EXPECT_THAT(Reads(plan, "mask boots", 5, 0), ElementsAre("shape[0].before=mask boots/1@5"));
  EXPECT_THAT(Reads(plan, "mask boots", 3, 0), ElementsAre("shape[0].after=mask boots/2@3"));
}

TEST(Follow, BetweenTwoKeyFramesBothAreMixedByTheDistance) {
  const Plan plan = PlanAll(Shot(Drawn({2, 6})));
  EXPECT_THAT(TasksOf(plan, "mask boots"),
              ElementsAre("draw_mask 1 2 3 4 5 6 7 8 9", "carry_points 3 4 5 7 8 9", "carry_points 1 3 4 5"));
  EXPECT_THAT(Reads(plan, "mask boots", 3, 0),
              ElementsAre("shape[0].before=mask boots/1@3", "shape[0].after=mask boots/2@3"));
  EXPECT_EQ(Shape(plan, 3).mix(), 0.25);
  EXPECT_EQ(Shape(plan, 5).mix(), 0.75);
  EXPECT_EQ(Shape(plan, 8).mix(), 0);
  const Plan smooth = PlanAll(Shot(Drawn({2, 6}, 9, "ease: SMOOTH")));
  EXPECT_EQ(Shape(smooth, 3).mix(), Eased(SMOOTH, 0.25));
}

TEST(Follow, HoldTakesOnlyWhatComesFromTheEarlierDrawing) {
  const Plan plan = PlanAll(Shot(Drawn({2, 6}, 9, "ease: HOLD")));
  EXPECT_THAT(TasksOf(plan, "mask boots"),
              ElementsAre("draw_mask 1 2 3 4 5 6 7 8 9", "carry_points 3 4 5 7 8 9", "carry_points 1"));
  EXPECT_THAT(Reads(plan, "mask boots", 5, 0), ElementsAre("shape[0].before=mask boots/1@5"));
}

TEST(Follow, EachShapeIsCarriedFromItsOwnKeyFrames) {
  const Plan plan = PlanAll(Shot(Drawn({1}) + Drawn({9}, 9, "subtract: true rule: EVENODD")));
  EXPECT_THAT(TasksOf(plan, "mask boots"), ElementsAre("draw_mask 1 2 3 4 5 6 7 8 9", "carry_points 2 3 4 5 6 7 8 9",
                                                       "carry_points 1 2 3 4 5 6 7 8"));
  const PlannedTask& second = *FindTask(plan, "mask boots", 8, 4);
  // What lies around a hole carries it.
  EXPECT_TRUE(second.steps->front().carry_points().around());
  EXPECT_TRUE(second.steps->front().carry_points().even_odd());
  EXPECT_EQ(second.first_step, 1u);
}

TEST(Follow, FramesThatNobodyAsksForAreOnlyCarriedThrough) {
  Target look;
  look.source = "boots";
  look.look.emplace().mutable_look_picture();
  look.frame = 4;
  const Plan plan = PlanTargets(ParseStack(Shot(Drawn({1, 9}))), {look});
  EXPECT_THAT(TasksOf(plan, "mask boots"), ElementsAre("draw_mask 4", "carry_points 2 3 4", "carry_points 4 5 6 7 8"));
}

TEST(Follow, APassIsFollowedWhereItStandsAndMotionIsFoundOnceForAll) {
  const std::string two = R"(
    mask { name: "hand" shape { at { frame: 1 path: "M0 0H9V10Z" } } follow { picture: "same" } }
    pass { name: "clean" from: "plate" step { grade { stops { value: 1 } } } }
    pass { name: "same" from: "clean" }
    pass { name: "other" from: "plate" step { within { mask: "hand" } } }
    deliver { name: "e" from: "other" files: "/e.%d.exr" })";
  const Plan plan = PlanAll(Shot(Drawn({1}), "clean", two));
  EXPECT_THAT(TasksOf(plan, "motion clean"), ElementsAre("motion_field 1 2 3 4 5 6 7 8"));
  EXPECT_THAT(TasksOf(plan, "motion same"), IsEmpty());
  EXPECT_THAT(Reads(plan, "motion clean", 3, 0), ElementsAre("in=clean/0@3", "to=clean/0@4"));
  // The two are the same shape on the same picture: the same work.
  EXPECT_THAT(TasksOf(plan, "mask hand"), IsEmpty());
}

TEST(Follow, AWindowOverItEndsWhereThePictureEnds) {
  const Plan plan = PlanAll(Shot(Drawn({4}), "plate", R"(
    pass { name: "calm" from: "boots" step { steady { plate: "plate" window: 1 } } }
    deliver { name: "e" from: "calm" files: "/e.%d.exr" })"));
  EXPECT_THAT(Reads(plan, "calm", 9, 0),
              ElementsAre("in=mask boots/0@9", "in=mask boots/0@8", "plate.motion-1=motion plate/0@8"));
}

// --- what a change reaches --------------------------------------------------

std::set<int> ChangedFrames(const Plan& a, const Plan& b, const std::string& pass, int segment = -1) {
  std::set<int> frames;
  for (int f = 1; f <= 9; ++f) {
    const PlannedTask *x = FindTask(a, pass, f, segment), *y = FindTask(b, pass, f, segment);
    if (x != nullptr && y != nullptr && x->key != y->key) frames.insert(f);
  }
  return frames;
}

TEST(Follow, ACorrectionChangesTheFramesUpToTheNeighbouringKeyFrames) {
  const std::string before = Shot(Drawn({2, 5, 8}));
  const std::string after = absl::StrReplaceAll(before, {{"frame: 5 path: \"M0 0H9", "frame: 5 path: \"M0 0H8"}});
  const Plan a = PlanAll(before), b = PlanAll(after);
  EXPECT_THAT(ChangedFrames(a, b, "core"), ElementsAre(3, 4, 5, 6, 7));
  EXPECT_THAT(ChangedFrames(a, b, "motion plate"), IsEmpty());
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 1), ElementsAre(6, 7));
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 2), ElementsAre(3, 4));
}

TEST(Follow, ANewKeyFrameCutsTheWayInTwo) {
  const Plan a = PlanAll(Shot(Drawn({2, 8}))), b = PlanAll(Shot(Drawn({2, 5, 8})));
  EXPECT_THAT(ChangedFrames(a, b, "core"), ElementsAre(3, 4, 5, 6, 7));
  // From the outer ones it is carried as it was.
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 1), ElementsAre(6, 7));
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 2), ElementsAre(3, 4));
}

TEST(Follow, AFeatherChangesWhatIsDrawnAndNothingThatIsCarried) {
  const Plan a = PlanAll(Shot(Drawn({2}))), b = PlanAll(Shot(Drawn({2}, 9, "feather { value: 3 }")));
  EXPECT_EQ(ChangedFrames(a, b, "mask boots", 0).size(), 9u);
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 1), IsEmpty());
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 2), IsEmpty());
}

TEST(Follow, ANewPlateFrameChangesTheMotionToAndFromIt) {
  Disk other;
  other.content["/a/6.exr"] = "reshot";
  const Plan a = PlanAll(Shot(Drawn({4}))), b = PlanAll(Shot(Drawn({4})), other);
  EXPECT_THAT(ChangedFrames(a, b, "motion plate"), ElementsAre(5, 6));
  EXPECT_THAT(ChangedFrames(a, b, "mask boots", 0), ElementsAre(6, 7, 8, 9));
}

TEST(Follow, NamesChangeNoKey) {
  const Plan a = PlanAll(Shot(Drawn({2, 8})));
  const Plan b = PlanAll(absl::StrReplaceAll(Shot(Drawn({2, 8})), {{"boots", "shoes"}, {"\"plate\"", "\"scan\""}}));
  ASSERT_EQ(a.targets.size(), b.targets.size());
  for (size_t i = 0; i < a.targets.size(); ++i) EXPECT_EQ(a.targets[i], b.targets[i]);
}

TEST(Follow, InvalidatingTheMaskOrTheMotionReachesIt) {
  const std::string stack = Shot(Drawn({4}));
  const Plan a = PlanAll(stack);
  const auto invalidated = [&](const std::string& name) {
    return PlanAll(stack, {}, [=](const std::string& pass, int32_t) { return pass == name ? 7u : 0u; });
  };
  EXPECT_EQ(ChangedFrames(a, invalidated("mask boots"), "core").size(), 9u);
  EXPECT_THAT(ChangedFrames(a, invalidated("mask boots"), "motion plate"), IsEmpty());
  EXPECT_EQ(ChangedFrames(a, invalidated("motion plate"), "core").size(), 8u);
}

// --- long shots -----------------------------------------------------------------

// The longest shot that is allowed, drawn at its first frame: its last frame
// hangs on all the others, and nothing on the way may recurse.
TEST(Follow, AHundredThousandFramesAreCarriedOneByOne) {
  std::string text = Shot(Drawn({1}));
  text = absl::StrReplaceAll(text, {{"last: 9", "last: 100000"}});
  Target look;
  look.source = "boots";
  look.look.emplace().mutable_look_picture();
  look.frame = 100000;
  const Stack stack = ParseStack(text);
  const Plan plan = PlanTargets(stack, {look});
  ASSERT_THAT(plan.errors, IsEmpty());
  // Each carried frame and each motion, the drawing and the look.
  EXPECT_EQ(plan.tasks.size(), 2u * 99999 + 2);
  MemoryResultIndex index;
  const auto probed = Probe(plan, index);
  ASSERT_TRUE(probed.ok());
  EXPECT_EQ(ExplainTargets(stack, plan, {look}, *probed, {}).size(), 1u);
}

TEST(Follow, CarriedFramesArePartOfThePrice) {
  const Stack stack = ParseStack(Shot(Drawn({1, 9})));
  const Price price = PriceOf(stack, {});
  EXPECT_EQ(price.tasks, static_cast<int64_t>(PlanAll(stack).tasks.size()));
  EXPECT_GT(price.tasks, 40);
}

// --- in words -------------------------------------------------------------------

// Why a pass would be rendered at a frame, after `before` was.
std::string Why(const std::string& before, const std::string& now, int frame) {
  const Stack stack = ParseStack(now);
  const Plan old = PlanAll(before), plan = PlanAll(stack);
  MemoryResultIndex index;
  std::map<std::tuple<std::string, uint32_t, int32_t>, Ingredients> made_of;
  IndexBatch batch;
  for (const PlannedTask& t : old.tasks) {
    batch.results.push_back({t.key, ResultRecord{}});
    batch.names.push_back({"shot", t.pass, t.segment, t.frame, t.key, t.recipe});
    made_of[{t.pass, t.segment, t.frame}] = IngredientsOf(old, t);
  }
  EXPECT_TRUE(index.Commit(batch).ok());
  Remembered remembered;
  remembered.names = index.FindNames("shot", "").value();
  remembered.ingredients = [&](const NameRecord& n) -> std::optional<Ingredients> {
    const auto it = made_of.find({n.pass, n.segment, n.frame});
    return it == made_of.end() ? std::nullopt : std::optional(it->second);
  };
  remembered.damaged = [](const ResultKey&) { return false; };
  std::vector<Target> targets = PassTargets(stack, "core");
  EXPECT_EQ(targets.size(), 9u);
  targets = {targets[frame - 1]};
  const Plan asked = PlanTargets(stack, targets);
  const auto probed = Probe(asked, index);
  EXPECT_TRUE(probed.ok());
  std::string out;
  for (const PlanReason& r : ExplainTargets(stack, asked, targets, *probed, remembered)) {
    absl::StrAppend(&out, r.pass(), r.pass().empty() ? "" : ": ", r.text());
  }
  return out;
}

TEST(Follow, WhyNamesTheMaskAndTheFrameThatWasDrawn) {
  const std::string before = Shot(Drawn({2, 5, 8}));
  const std::string after = absl::StrReplaceAll(before, {{"frame: 5 path: \"M0 0H9", "frame: 5 path: \"M0 0H8"}});
  EXPECT_EQ(Why(before, after, 7), "mask boots: was redrawn at frame 5");
  EXPECT_EQ(Why(before, after, 3), "mask boots: was redrawn at frame 5");
  EXPECT_EQ(Why(before, after, 5), "mask boots: shape 1 was redrawn at frame 5");
  EXPECT_EQ(Why(Shot(Drawn({2, 8})), before, 5), "mask boots: shape 1 is now drawn at frame 5");
  EXPECT_EQ(Why(Shot(Drawn({2})), Shot(Drawn({2}, 9, "feather { value: 3 }")), 4),
            "mask boots: shape[1].feather 0 -> 3");
}

TEST(Follow, AMaskThatFollowsIsAskedForLikeAPass) {
  EXPECT_EQ(PassTargets(ParseStack(Shot(Drawn({2}))), "boots").size(), 9u);
  EXPECT_EQ(PassInWords("mask boots"), "mask \"boots\"");
  EXPECT_EQ(PassInWords("motion plate"), "motion \"plate\"");
  EXPECT_EQ(PassInWords("core"), "pass \"core\"");
}

}  // namespace
}  // namespace selvage::plan
