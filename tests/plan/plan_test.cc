// Cutting, windows, plates, probing, task messages.
#include "server/plan/plan.h"

#include <map>

#include "absl/strings/str_cat.h"
#include "cache/memory_result_index.h"
#include "gmock/gmock.h"
#include "proto/catalogue.h"
#include "server/engine/probe.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;
using ::testing::StartsWith;

constexpr char kHead[] = R"(
  name: "shot" frames { first: 1001 last: 1005 } format { width: 64 height: 48 }
  plate { name: "plate" files: "/a/plate.%04d.exr" }
  mask { name: "boots" shape { path: "M0 0H9V9Z" } }
)";

std::string Shot(const std::string& passes) {
  return kHead + passes + " deliver { name: \"d\" from: \"p\" files: \"/o.%04d.exr\" }";
}

// "0:color_difference+levels" ...: segments of a pass at a frame.
std::vector<std::string> Segments(const Plan& plan, const std::string& pass, int frame) {
  std::map<uint32_t, std::string> found;
  for (const PlannedTask& t : plan.tasks) {
    if (t.pass != pass || t.frame != frame) continue;
    std::string text = absl::StrCat(t.segment, ":");
    for (const Step& s : *t.steps) absl::StrAppend(&text, text.back() == ':' ? "" : "+", OperatorOf(s)->name);
    found[t.segment] = text;
  }
  std::vector<std::string> out;
  for (auto& [n, text] : found) out.push_back(text);
  return out;
}

std::vector<std::string> InputsOf(const PlannedTask& t) {
  std::vector<std::string> out;
  for (const PlannedInput& in : t.inputs) {
    out.push_back(absl::StrCat(in.step, ".", in.port, in.frame_offset == 0 ? "" : absl::StrCat("@", in.frame_offset),
                               "=",
                               in.result  ? "result"
                               : in.plate ? "plate"
                               : in.mask  ? "mask"
                                          : "nothing"));
  }
  return out;
}

TEST(Cut, LightStepsRunTogetherHeavyOnesAlone) {
  const Plan plan = PlanAll(Shot(R"(
    pass { name: "m" from: "plate" step { color_difference {} } step { levels {} } step { choke {} } }
    pass { name: "p" from: "plate" step { grade {} } step { degrain {} } step { hue_rotate {} } step { spread_color { core: "m" } }
           step { grade {} } step { grade {} } })"));
  EXPECT_THAT(Segments(plan, "m", 1001), ElementsAre("0:color_difference+levels+choke"));
  EXPECT_THAT(Segments(plan, "p", 1003),
              ElementsAre("0:grade", "1:degrain", "2:hue_rotate", "3:spread_color", "4:grade+grade"));
  EXPECT_EQ(FindTask(plan, "p", 1003, 3)->first_step, 3u);
  EXPECT_EQ(FindTask(plan, "p", 1003, 4)->first_step, 4u);
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1003, 3)), ElementsAre("-1.in=result", "0.core=result"));
}

TEST(Cut, AMeasuredBoxBeginsASegment) {
  const Plan plan = PlanAll(Shot(R"(
    pass { name: "p" from: "plate" step { grade {} } step { color_difference { screen { sample { width: 8 height: 8 frame: 1002 } } } }
           step { levels {} } })"));
  // The measurement is made once, at its own frame.
  EXPECT_THAT(Segments(plan, "p", 1002), ElementsAre("0:grade", "1:sample_color", "2:color_difference+levels"));
  EXPECT_THAT(Segments(plan, "p", 1004), ElementsAre("0:grade", "2:color_difference+levels"));
  const PlannedTask& key = *FindTask(plan, "p", 1004, 2);
  EXPECT_THAT(InputsOf(key), ElementsAre("-1.in=result", "0.screen.sample=result"));
  EXPECT_EQ(*key.inputs[1].result, KeyAt(plan, "p", 1002, 1));
  const PlannedTask& measure = *FindTask(plan, "p", 1002, 1);
  EXPECT_EQ(*measure.inputs[0].result, KeyAt(plan, "p", 1002, 0));
  EXPECT_EQ((*measure.steps)[0].sample_color().box().width(), 8u);
  EXPECT_FALSE((*measure.steps)[0].sample_color().box().has_frame());
}

TEST(Cut, AMeasurementOfThePlateReadsThePlateAtTheFirstFrame) {
  const Plan plan =
      PlanAll(Shot(R"(pass { name: "p" from: "plate" step { degrain { sample { width: 8 height: 8 } } } })"));
  EXPECT_THAT(Segments(plan, "p", 1001), ElementsAre("0:noise_profile", "1:degrain"));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1001, 0)), ElementsAre("-1.in=plate"));
  EXPECT_EQ(FindTask(plan, "p", 1001, 0)->inputs[0].plate->path(), "/a/plate.1001.exr");
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1003, 1)),
              ElementsAre("-1.in=plate", "-1.in@-1=plate", "-1.in@1=plate", "0.sample=result", "0.in.motion-1=result",
                          "0.in.motion+1=result"));
}

TEST(Cut, ASampledScreenThatIsPutIntoTwoStepsIsMeasuredOnce) {
  const std::string step = "step { despill { screen { sample { width: 8 height: 8 } } } }";
  const Plan plan =
      PlanAll(Shot("pass { name: \"q\" from: \"plate\" " + step + " } pass { name: \"p\" from: \"plate\" " + step +
                   " step { composite { with: \"q\" } } }"));
  int measurements = 0;
  for (const PlannedTask& t : plan.tasks) measurements += (*t.steps).size() == 1 && (*t.steps)[0].has_sample_color();
  EXPECT_EQ(measurements, 1);
}

TEST(Cut, PassesWithoutSteps) {
  const Plan plan = PlanAll(Shot(R"(pass { name: "s" from: "plate" } pass { name: "p" from: "s" })"));
  // From a plate: stored as it is. From a pass: another name for it.
  EXPECT_THAT(Segments(plan, "s", 1001), ElementsAre("0:"));
  EXPECT_THAT(Segments(plan, "p", 1001), IsEmpty());
  EXPECT_THAT(InputsOf(*FindTask(plan, "deliver d", 1001)), ElementsAre("-1.in=result"));
  EXPECT_EQ(*FindTask(plan, "deliver d", 1001)->inputs[0].result, KeyAt(plan, "s", 1001));
  EXPECT_EQ(FindTask(plan, "deliver d", 1001)->inputs[0].name, "p");
}

TEST(Cut, DeliveriesReadTheirLayers) {
  const Plan plan = PlanAll(std::string(kHead) + R"(
    pass { name: "core" from: "plate" step { color_difference {} } }
    deliver { name: "d" from: "plate" files: "/o.%04d.exr" layer { name: "c" from: "core" } layer { name: "b" from: "boots" } }
    deliver { name: "e" from: "core" files: "/o.%04d.dpx" frames { first: 1002 last: 1003 } }
    deliver { name: "f" from: "core" files: "/p.%04d.exr" frames { first: 1002 last: 1002 } compression: COMPRESSION_PIZ })");
  const PlannedTask& d = *FindTask(plan, "deliver d", 1004);
  EXPECT_THAT(InputsOf(d), ElementsAre("-1.in=plate", "0.layer[0].from=result", "0.layer[1].from=mask"));
  EXPECT_EQ((*d.steps)[0].deliver_file().layer(0).name(), "c");
  EXPECT_EQ((*d.steps)[0].deliver_file().encoding(), ENCODING_LINEAR);
  EXPECT_EQ((*d.steps)[0].deliver_file().stack_name(), "shot");
  EXPECT_EQ(FindTask(plan, "deliver e", 1001), nullptr);
  const DeliverFile e = (*FindTask(plan, "deliver e", 1002)->steps)[0].deliver_file();
  EXPECT_EQ(e.type(), DeliverFile::DPX);
  EXPECT_EQ(e.encoding(), ENCODING_PRINTING_DENSITY);
  EXPECT_EQ((*d.steps)[0].deliver_file().compression(), COMPRESSION_ZIP);
  EXPECT_EQ((*FindTask(plan, "deliver f", 1002)->steps)[0].deliver_file().compression(), COMPRESSION_PIZ);
  EXPECT_THAT(plan.targets, SizeIs(8));
}

TEST(Cut, OnlyWhatTheTargetsNeed) {
  const Plan plan = PlanAll(Shot(R"(
    pass { name: "idle" from: "plate" step { color_difference {} } }
    pass { name: "p" from: "plate" step { grade {} } })"));
  EXPECT_EQ(FindTask(plan, "idle", 1001), nullptr);
}

TEST(Plan, InputsComeBeforeTheirUsersAndFirstFramesFirst) {
  const Plan plan = PlanAll(Shot(R"(
    pass { name: "c" from: "plate" step { degrain {} } }
    pass { name: "k" from: "c" step { color_difference {} } }
    pass { name: "p" from: "c" step { attach_matte { matte: "k" } } step { degrain {} } })"));
  std::set<std::string> seen;
  int32_t last_delivered = 0;
  for (const PlannedTask& t : plan.tasks) {
    for (const PlannedInput& in : t.inputs) {
      EXPECT_TRUE(!in.result || seen.count(in.result->Hex()));
    }
    EXPECT_TRUE(seen.insert(t.key.Hex()).second) << "each key once";
    if (t.pass == "deliver d") {
      EXPECT_GT(t.frame, last_delivered);
      last_delivered = t.frame;
    }
  }
  // The first frame is through before the last frame's plate is looked at.
  size_t first_done = 0, last_begun = 0;
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    if (plan.tasks[i].pass == "deliver d" && plan.tasks[i].frame == 1001) first_done = i;
    if (plan.tasks[i].pass == "c" && plan.tasks[i].frame == 1005) last_begun = i;
  }
  EXPECT_LT(first_done, last_begun);
}

// --- windows ---

TEST(Window, EndsWithThePlate) {
  const Plan plan = PlanAll(Shot(R"(pass { name: "p" from: "plate" step { degrain { window: 2 } } })"));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1001)), ElementsAre("-1.in=plate", "-1.in@1=plate", "-1.in@2=plate",
                                                                "0.in.motion+1=result", "0.in.motion+2=result"));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1003)), SizeIs(5 + 4));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1005)), ElementsAre("-1.in=plate", "-1.in@-1=plate", "-1.in@-2=plate",
                                                                "0.in.motion-1=result", "0.in.motion-2=result"));
}

TEST(Window, LongerThanTheShotIsWarningedOn) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { degrain { window: 2 } } })"));
  EXPECT_TRUE(PlanAll(stack).warnings.empty()) << "five frames, and a window of five";
  stack.mutable_frames()->set_last(1003);
  const Plan plan = PlanAll(stack);
  ASSERT_EQ(plan.warnings.size(), 1u);
  EXPECT_EQ(plan.warnings[0].pass(), "p");
  EXPECT_EQ(plan.warnings[0].frame(), 1001);
  EXPECT_EQ(plan.warnings[0].text(),
            "degrain with window 2 reads 5 frames, but there are only frames 1001-1003: it uses only those");
}

TEST(Window, ReachesBeyondTheStackWherePlatesDo) {
  Stack stack = ParseStack(Shot(R"(
    pass { name: "l" from: "plate" step { grade {} } }
    pass { name: "p" from: "l" step { degrain { window: 2 } } })"));
  stack.mutable_plate(0)->mutable_frames()->set_first(1000);
  stack.mutable_plate(0)->mutable_frames()->set_last(1100);
  const Plan plan = PlanAll(stack);
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1001)),
              ElementsAre("-1.in=result", "-1.in@-1=result", "-1.in@1=result", "-1.in@2=result", "0.in.motion-1=result",
                          "0.in.motion+1=result", "0.in.motion+2=result"));
  EXPECT_NE(FindTask(plan, "l", 1007), nullptr);
  EXPECT_EQ(FindTask(plan, "l", 999), nullptr);
}

TEST(Window, AShortSideInputEndsIt) {
  const Plan plan = PlanAll(R"(
    name: "s" frames { first: 1 last: 9 } format { width: 8 height: 8 }
    plate { name: "long" files: "/l.%d.exr" frames { first: -5 last: 20 } }
    plate { name: "short" files: "/s.%d.exr" }
    plate { name: "held" files: "/h.%d.exr" frames { first: 4 last: 4 } missing: HOLD }
    pass { name: "l" from: "long" step { composite { with: "short" } } step { unpremultiply {} } }
    pass { name: "h" from: "long" step { composite { with: "held" } } step { unpremultiply {} } }
    pass { name: "p" from: "l" step { degrain { window: 2 } } }
    pass { name: "q" from: "h" step { degrain { window: 2 } } }
    deliver { name: "d" from: "p" files: "/o.%d.exr" layer { name: "q" from: "q" } })");
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1)), SizeIs(3 + 2));
  // A held plate is there at every frame.
  EXPECT_THAT(InputsOf(*FindTask(plan, "q", 1)), SizeIs(5 + 4));
}

TEST(Window, AHeldFrameIsNoNeighbour) {
  Disk disk;
  disk.missing = {"/a/plate.1003.exr"};
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { degrain { window: 1 } } })"));
  stack.mutable_plate(0)->set_missing(Plate::HOLD);
  const Plan plan = PlanAll(stack, disk);
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1002)),
              ElementsAre("-1.in=plate", "-1.in@-1=plate", "0.in.motion-1=result"));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1003)),
              ElementsAre("-1.in=plate", "-1.in@1=plate", "0.in.motion+1=result"));
  EXPECT_EQ(FindTask(plan, "p", 1003)->inputs[0].plate->path(), "/a/plate.1002.exr");
}

TEST(Window, MotionOverItIsAResultOfItsOwn) {
  const std::string passes = R"(
    pass { name: "l" from: "plate" step { grade {} } }
    pass { name: "m" from: "plate" step { color_difference {} } }
    pass { name: "p" from: "m" step { steady { plate: "l" } } })";
  const Plan plan = PlanAll(Shot(passes));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1003)), ElementsAre("-1.in=result", "-1.in@-1=result", "-1.in@1=result",
                                                                "0.plate.motion-1=result", "0.plate.motion+1=result"));
  // From the frame before to this one, and from this one to the next.
  EXPECT_EQ(FindTask(plan, "p", 1003)->inputs[3].result, KeyAt(plan, "motion l", 1002));
  EXPECT_EQ(FindTask(plan, "p", 1003)->inputs[4].result, KeyAt(plan, "motion l", 1003));
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1001)),
              ElementsAre("-1.in=result", "-1.in@1=result", "0.plate.motion+1=result"));
  EXPECT_THAT(InputsOf(*FindTask(plan, "motion l", 1003)), ElementsAre("-1.in=result", "0.to=result"));
  EXPECT_EQ(FindTask(plan, "motion l", 1005), nullptr) << "there is no frame after it";
  const TaskSpec spec = MakeTaskSpec(plan, *FindTask(plan, "p", 1003), [](const ResultKey&) { return nullptr; });
  EXPECT_EQ(spec.input(3).port(), "plate.motion-1");
}

TEST(Window, MotionIsSharedByAllThatAskForIt) {
  const Plan plan = PlanAll(Shot(R"(
    pass { name: "c" from: "plate" step { degrain { window: 2 } } }
    pass { name: "m" from: "plate" step { color_difference {} } step { steady { plate: "plate" } } }
    pass { name: "p" from: "c" step { attach_matte { matte: "m" } } })"));
  const auto motion_at = [&](const std::string& pass, const std::string& port) -> std::optional<ResultKey> {
    for (const PlannedTask& t : plan.tasks) {
      if (t.pass != pass || t.frame != 1003) continue;
      for (const PlannedInput& in : t.inputs) {
        if (in.port == port) return in.result;
      }
    }
    return std::nullopt;
  };
  ASSERT_TRUE(motion_at("c", "in.motion+1"));
  EXPECT_EQ(motion_at("c", "in.motion+1"), motion_at("m", "plate.motion+1"));
  EXPECT_EQ(motion_at("c", "in.motion-1"), motion_at("m", "plate.motion-1"));
  // Four pairs of neighbours, three of frames two apart.
  EXPECT_EQ(std::count_if(plan.tasks.begin(), plan.tasks.end(),
                          [](const PlannedTask& t) { return t.pass == "motion plate"; }),
            4 + 3);
}

TEST(Window, EndsWhereOneOfItsInputsEnds) {
  Stack stack = ParseStack(Shot(R"(
    pass { name: "m" from: "plate" step { color_difference {} } }
    pass { name: "p" from: "m" step { steady { plate: "proxy" window: 2 } } })"));
  stack.mutable_plate(0)->mutable_frames()->set_first(990);
  stack.mutable_plate(0)->mutable_frames()->set_last(1006);
  Plate* proxy = stack.add_plate();
  proxy->set_name("proxy");
  proxy->set_files("/a/proxy.%d.exr");
  proxy->mutable_frames()->set_first(1000);
  proxy->mutable_frames()->set_last(1010);
  const Plan plan = PlanAll(stack);
  const auto offsets = [&](int frame) {
    std::vector<std::string> all;
    for (const PlannedInput& in : FindTask(plan, "p", frame)->inputs)
      all.push_back(absl::StrCat(in.port, in.frame_offset));
    return all;
  };
  EXPECT_THAT(offsets(1001),
              ElementsAre("in0", "in-1", "in1", "in2", "plate.motion-10", "plate.motion+10", "plate.motion+20"));
  EXPECT_THAT(offsets(1005),
              ElementsAre("in0", "in-1", "in1", "in-2", "plate.motion-10", "plate.motion+10", "plate.motion-20"));
  // And nothing is asked for in vain.
  EXPECT_EQ(FindTask(plan, "m", 999), nullptr);
  EXPECT_EQ(FindTask(plan, "m", 1007), nullptr);
  const auto found = FindPlateFiles(stack, DeliverableTargets(stack), Disk().Exists());
  ASSERT_TRUE(found.ok());
  for (const PlateFile& file : found->files) {
    EXPECT_GE(file.frame, 1000);
    EXPECT_LE(file.frame, 1006 + (file.plate == 1));
  }
}

TEST(Window, AHeldPlateDropsItsMatteToo) {
  Disk disk;
  disk.missing = {"/a/held.1003.exr"};
  Stack stack = ParseStack(Shot(R"(
    pass { name: "m" from: "plate" step { color_difference {} } }
    pass { name: "p" from: "m" step { steady { plate: "held" } } })"));
  Plate* held = stack.add_plate();
  held->set_name("held");
  held->set_files("/a/held.%d.exr");
  held->set_missing(Plate::HOLD);
  const Plan plan = PlanAll(stack, disk);
  EXPECT_THAT(InputsOf(*FindTask(plan, "p", 1002)),
              ElementsAre("-1.in=result", "-1.in@-1=result", "0.plate.motion-1=result"));
}

// --- plates ---

PlateFiles FilesOf(const Stack& stack, const Disk& disk) {
  return *FindPlateFiles(stack, DeliverableTargets(stack), disk.Exists());
}
std::vector<std::string> Paths(const PlateFiles& files) {
  std::vector<std::string> out;
  for (const PlateFile& f : files.files) out.push_back(absl::StrCat(f.frame, " ", f.path));
  return out;
}

TEST(PlateFiles, WindowsAndOnlyNeededPlates) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { degrain {} } })"));
  stack.add_plate()->set_name("unused");
  stack.mutable_plate(1)->set_files("/unused.%d.exr");
  stack.mutable_plate(0)->mutable_frames()->set_first(1000);
  stack.mutable_plate(0)->mutable_frames()->set_last(1005);
  EXPECT_THAT(Paths(FilesOf(stack, {})),
              ElementsAre("1000 /a/plate.1000.exr", "1001 /a/plate.1001.exr", "1002 /a/plate.1002.exr",
                          "1003 /a/plate.1003.exr", "1004 /a/plate.1004.exr", "1005 /a/plate.1005.exr"));
}

TEST(PlateFiles, MissingFramesAreOneFault) {
  const Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  Disk disk;
  disk.missing = {"/a/plate.1002.exr", "/a/plate.1004.exr"};
  const PlateFiles files = FilesOf(stack, disk);
  ASSERT_THAT(files.errors, SizeIs(1));
  EXPECT_EQ(files.errors[0].path(), "plate[0].files");
  EXPECT_THAT(
      files.errors[0].message(),
      StartsWith("plate \"plate\": frame 1002 is missing, there is no file /a/plate.1002.exr (and 1 more frames)"));
  EXPECT_THAT(files.errors[0].message(), HasSubstr("`missing: HOLD`"));
  EXPECT_THAT(BuildPlan(stack, DeliverableTargets(stack), files, disk.Facts())->errors, SizeIs(1));
}

TEST(PlateFiles, FramesThatThePlateDoesNotHave) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  stack.mutable_plate(0)->mutable_frames()->set_first(1001);
  stack.mutable_plate(0)->mutable_frames()->set_last(1003);
  const PlateFiles files = FilesOf(stack, {});
  ASSERT_THAT(files.errors, SizeIs(1));
  EXPECT_THAT(files.errors[0].message(),
              StartsWith("plate \"plate\": frame 1004 is outside its frames 1001 to 1003 (and 1 more frames)"));
}

// Files 1 to 5 for the shot's frames 1001 to 1005.
TEST(PlateFiles, AnOffsetIsAddedToTheShotsFrame) {
  const std::string pass = R"(pass { name: "p" from: "plate" step { degrain {} } })";
  Stack stack = ParseStack(Shot(pass));
  const Plan plain = PlanAll(stack);
  stack.mutable_plate(0)->set_offset(-1000);
  Disk disk;
  disk.missing = {"/a/plate.0000.exr", "/a/plate.0006.exr", "/a/plate.1001.exr"};
  for (int k = 1; k <= 5; ++k)
    disk.content[absl::StrCat("/a/plate.000", k, ".exr")] = absl::StrCat("/a/plate.100", k, ".exr");
  const PlateFiles found = FilesOf(stack, disk);
  ASSERT_THAT(found.errors, IsEmpty());
  EXPECT_EQ(Paths(found).front(), "1001 /a/plate.0001.exr");
  EXPECT_EQ(Paths(found).back(), "1005 /a/plate.0005.exr");
  // The same pictures under other numbers have the same keys, windows included.
  EXPECT_EQ(PlanAll(stack, disk).targets, plain.targets);
}

TEST(PlateFiles, MissingFramesAreToldAsTheShotAndTheFilesCountThem) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  stack.mutable_plate(0)->set_files("/a/plate.%04d.exr");
  stack.mutable_plate(0)->set_offset(-1000);
  Disk disk;
  disk.missing = {"/a/plate.0002.exr"};
  EXPECT_THAT(FilesOf(stack, disk).errors[0].message(),
              HasSubstr("frame 1002 is missing, there is no file /a/plate.0002.exr"));
}

TEST(PlateFiles, FilesThatAreNumberedFromOneAreRecognised) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  stack.mutable_plate(0)->set_files("/a/plate.%d.exr");
  Disk disk;
  for (int f = 1001; f <= 1005; ++f) disk.missing.insert(absl::StrCat("/a/plate.", f, ".exr"));
  for (const auto missing : {Plate::FAIL, Plate::HOLD}) {
    stack.mutable_plate(0)->set_missing(missing);
    ASSERT_THAT(FilesOf(stack, disk).errors, SizeIs(1));
    EXPECT_THAT(FilesOf(stack, disk).errors[0].message(), HasSubstr("numbered from 1: set `offset: -1000`"));
  }
}

// The plate has handles, of which only the one before the shot is there.
TEST(PlateFiles, OneFrameThatWouldBeHeldForTheWholeShotIsAFault) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  stack.mutable_plate(0)->set_files("/a/plate.%d.exr");
  stack.mutable_plate(0)->set_missing(Plate::HOLD);
  stack.mutable_plate(0)->mutable_frames()->set_first(990);
  stack.mutable_plate(0)->mutable_frames()->set_last(1005);
  Disk disk;
  for (int f = 1001; f <= 1005; ++f) disk.missing.insert(absl::StrCat("/a/plate.", f, ".exr"));
  ASSERT_THAT(FilesOf(stack, disk).errors, SizeIs(1));
  EXPECT_THAT(FilesOf(stack, disk).errors[0].message(), AllOf(HasSubstr("none of the frames 1001-1005 exists"),
                                                              HasSubstr("numbered 990-1000: set `offset: -11`")));
  disk.missing.erase("/a/plate.1003.exr");
  EXPECT_THAT(FilesOf(stack, disk).errors, IsEmpty()) << "one of the shot's own is there";
}

TEST(PlateFiles, HoldTakesTheEarlierFrameElseTheLater) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  stack.mutable_plate(0)->set_missing(Plate::HOLD);
  Disk disk;
  disk.missing = {"/a/plate.1001.exr", "/a/plate.1003.exr", "/a/plate.1004.exr"};
  EXPECT_THAT(Paths(FilesOf(stack, disk)),
              ElementsAre("1001 /a/plate.1002.exr", "1002 /a/plate.1002.exr", "1003 /a/plate.1002.exr",
                          "1004 /a/plate.1002.exr", "1005 /a/plate.1005.exr"));
  stack.mutable_plate(0)->mutable_frames()->set_first(1002);
  stack.mutable_plate(0)->mutable_frames()->set_last(1003);
  EXPECT_THAT(Paths(FilesOf(stack, {})),
              ElementsAre("1001 /a/plate.1002.exr", "1002 /a/plate.1002.exr", "1003 /a/plate.1003.exr",
                          "1004 /a/plate.1003.exr", "1005 /a/plate.1003.exr"));
  for (int f = 1001; f <= 1005; ++f) disk.missing.insert(absl::StrCat("/a/plate.", f, ".exr"));
  ASSERT_THAT(FilesOf(stack, disk).errors, SizeIs(1));
  EXPECT_THAT(FilesOf(stack, disk).errors[0].message(),
              testing::HasSubstr("frame 1001 is outside its frames 1002 to 1003"));
}

TEST(PlateFiles, PatternsFillUpWithZeros) {
  Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  stack.mutable_frames()->set_first(-1);
  stack.mutable_frames()->set_last(0);
  stack.mutable_plate(0)->set_files("/a/p.%03d.exr");
  EXPECT_THAT(Paths(FilesOf(stack, {})), ElementsAre("-1 /a/p.-01.exr", "0 /a/p.000.exr"));
  stack.mutable_plate(0)->set_files("/a/%d/p.exr");
  EXPECT_THAT(Paths(FilesOf(stack, {})), ElementsAre("-1 /a/-1/p.exr", "0 /a/0/p.exr"));
}

TEST(PlateFiles, WithoutAFormatTheFirstPlateIsReadAtItsFirstFrame) {
  Stack stack = ParseStack(R"(
    name: "s" frames { first: 5 last: 6 } plate { name: "a" files: "/a.%d.exr" } plate { name: "b" files: "/b.%d.exr" }
    pass { name: "p" from: "b" step { grade {} } } deliver { name: "d" from: "p" files: "/o.%d.exr" })");
  EXPECT_THAT(Paths(FilesOf(stack, {})), ElementsAre("5 /a.5.exr", "5 /b.5.exr", "6 /b.6.exr"));
  Disk disk;
  disk.size["/a.5.exr"] = {333, 222};
  const Plan plan = PlanAll(stack, disk);
  EXPECT_EQ(plan.format.width(), 333u);
  EXPECT_EQ(plan.format.height(), 222u);
}

// --- faults that only plates show ---

std::string FaultOf(const std::string& text, const Disk& disk) {
  const Plan plan = PlanAll(text, disk);
  EXPECT_THAT(plan.tasks, IsEmpty());
  EXPECT_THAT(plan.errors, SizeIs(1));
  return plan.errors.empty() ? "" : plan.errors[0].message();
}

TEST(PlateFaults, APlateThatChangesItsSize) {
  Disk disk;
  disk.size["/a/plate.1004.exr"] = {2048, 1152};
  EXPECT_THAT(FaultOf(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"), disk),
              testing::AllOf(testing::HasSubstr("plate \"plate\""), testing::HasSubstr("frame 1004 is 2048 x 1152"),
                             testing::HasSubstr("frame 1001 is 1920 x 1080"), testing::HasSubstr("same size")));
}

TEST(PlateFaults, AWindowOfABillionPixels) {
  Disk disk;
  disk.Facts()("/a/plate.1002.exr");
  disk.facts["/a/plate.1002.exr"].mutable_data_window()->set_width(1'000'000'000);
  EXPECT_EQ(FaultOf(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"), disk),
            "plate \"plate\": frame 1002 (/a/plate.1002.exr) has a data window of 1000000000 x 1080 pixels at 0, 0, "
            "allowed are 65536 a side and 268435456 in all");
}

// Small by itself, but a result covers all from here to there.
TEST(PlateFaults, AWindowFarAway) {
  Disk disk;
  disk.Facts()("/a/plate.1002.exr");
  disk.facts["/a/plate.1002.exr"].mutable_data_window()->set_x(2'000'000'000);
  EXPECT_THAT(FaultOf(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"), disk),
              testing::HasSubstr("has a data window of 1920 x 1080 pixels at 2000000000, 0"));
}

TEST(PlateFaults, ABoxOutsideAFormatThatThePlateGives) {
  Disk disk;
  disk.width = 32;
  EXPECT_EQ(
      FaultOf(R"(name: "s" frames { first: 1 last: 1 } plate { name: "a" files: "/a.exr" }
              pass { name: "p" from: "a" step { despill { screen { sample { x: 30 width: 3 height: 3 } } } } }
              deliver { name: "d" from: "p" files: "/o.exr" })",
              disk),
      "pass \"p\" step 1 (despill) screen.sample: the box at 30, 0 of 3 x 3 reaches outside the picture of 32 x 1080");
}

// --- looks ---

Plan Look(const std::string& source, LookPicture::As as, int frame = 1002) {
  Target t;
  t.source = source;
  t.look.emplace().mutable_look_picture()->set_as(as);
  t.frame = frame;
  return PlanTargets(ParseStack(Shot(R"(pass { name: "p" from: "plate" step { color_difference {} } })")), {t});
}

TEST(Look, FillsInTheFirstPlate) {
  EXPECT_THAT(InputsOf(Look("p", LookPicture::AS_MATTE).tasks.back()), ElementsAre("-1.in=result"));
  EXPECT_THAT(InputsOf(Look("p", LookPicture::AS_CHECKER).tasks.back()), ElementsAre("-1.in=result", "0.color=plate"));
  EXPECT_THAT(InputsOf(Look("p", LookPicture::AS_WIPE).tasks.back()),
              ElementsAre("-1.in=result", "0.behind=plate", "0.color=plate"));
  EXPECT_THAT(InputsOf(Look("plate", LookPicture::AS_COLOR).tasks.back()), ElementsAre("-1.in=plate"));
  EXPECT_THAT(InputsOf(Look("boots", LookPicture::AS_MATTE).tasks.back()), ElementsAre("-1.in=mask"));
  EXPECT_EQ(Look("p", LookPicture::AS_MATTE).tasks.back().pass, "look");
}

TEST(Look, FaultsAreAnswers) {
  EXPECT_EQ(Look("plat", LookPicture::AS_MATTE).errors[0].message(),
            "there is no plate, mask or pass \"plat\"; did you mean \"plate\"?");
  EXPECT_EQ(Look("p", LookPicture::AS_MATTE, 7).errors[0].message(), "frame 7 is out of range, allowed 1001 to 1005");
  EXPECT_THAT(Look("plate", LookPicture::AS_BACKGROUND).errors[0].message(),
              AllOf(HasSubstr("--background NAME"), HasSubstr("(here: plate)")));
}

TEST(Look, ASurveyIsOfColour) {
  Target t;
  Color* color = t.look.emplace().mutable_survey_plate()->mutable_color();
  color->set_r(0.1);
  color->set_g(0.5);
  color->set_b(0.1);
  t.frame = 1002;
  const Stack stack = ParseStack(Shot(R"(pass { name: "p" from: "plate" step { color_difference {} } })"));
  t.source = "plate";
  const Plan good = PlanTargets(stack, {t});
  for (const StackError& e : good.errors) ADD_FAILURE() << e.message();
  ASSERT_FALSE(good.tasks.empty());
  EXPECT_THAT(InputsOf(good.tasks.back()), ElementsAre("-1.in=plate"));
  for (const char* source : {"p", "boots"}) {
    t.source = source;
    const Plan plan = PlanTargets(stack, {t});
    ASSERT_THAT(plan.errors, SizeIs(1));
    EXPECT_THAT(plan.errors[0].message(), StartsWith(absl::StrCat("\"", source, "\" is a matte, needs ")));
  }
}

// --- measurements ---

Plan Measure(const std::string& source, const std::string& params, int frame = 1002) {
  Target t;
  t.source = source;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString("measure_matte { " + params + " }", &t.look.emplace()));
  t.frame = frame;
  return PlanTargets(ParseStack(Shot(R"(
    pass { name: "k" from: "plate" step { color_difference {} } }
    pass { name: "p" from: "plate" step { attach_matte { matte: "k" } } })")),
                     {t});
}
std::string Fault(const Plan& plan) {
  return plan.errors.size() == 1 ? plan.errors[0].message() : absl::StrCat(plan.errors.size(), " errors");
}

TEST(Measure, ReadsTheMatteAndItsPlateAtTheFramesAround) {
  EXPECT_THAT(InputsOf(Measure("k", "").tasks.back()),
              ElementsAre("-1.in=result", "-1.in@-1=result", "-1.in@1=result", "0.plate.motion-1=result",
                          "0.plate.motion+1=result"));
  // The shot ends there.
  EXPECT_THAT(InputsOf(Measure("k", "", 1001).tasks.back()),
              ElementsAre("-1.in=result", "-1.in@1=result", "0.plate.motion+1=result"));
  EXPECT_THAT(InputsOf(Measure("k", "window: 0 core: 'boots' color: 'p'").tasks.back()),
              ElementsAre("-1.in=result", "0.core=mask", "0.color=result"));
}

// Values of a client that were checked by no one else.
TEST(Measure, FaultsAreAnswers) {
  EXPECT_EQ(Fault(Measure("k", "core: 'cor'")), "core: there is no plate, mask or pass \"cor\"");
  EXPECT_THAT(Fault(Measure("k", "core: 'plate'")),
              testing::AllOf(testing::HasSubstr("core: \"plate\" is opaque colour, needs a matte"),
                             testing::HasSubstr("`color_difference`")));
  EXPECT_THAT(Fault(Measure("k", "plate: 'k'")),
              testing::AllOf(testing::HasSubstr("plate: \"k\" is a matte, needs straight colour"),
                             testing::HasSubstr("`attach_matte`")));
  EXPECT_EQ(Fault(Measure("k", "solid { value: 7 }")), "solid: 7 is out of range, allowed 0 to 1");
  EXPECT_EQ(Fault(Measure("k", "clip { value: nan }")), "clip: nan is not a finite number");
  EXPECT_EQ(Fault(Measure("k", "window: 2")), "window: 2 is out of range, allowed 0 to 1");
  EXPECT_EQ(Fault(Measure("k", "screen: 9")), "screen: 9 is not a value that this version knows");
  EXPECT_EQ(Fault(Measure("nobody", "")), "there is no plate, mask or pass \"nobody\"");
}

TEST(Look, ValuesAreChecked) {
  Target t;
  t.source = "plate";
  t.frame = 1002;
  t.look.emplace().mutable_look_picture()->mutable_stops()->set_value(99);
  const Plan plan = PlanTargets(ParseStack(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })")), {t});
  EXPECT_EQ(Fault(plan), "stops: 99 is out of range, allowed -20 to 20");
}

// --- probe ---

void Store(const Plan& plan, const std::function<bool(const PlannedTask&)>& which, ResultIndex* index) {
  IndexBatch batch;
  for (const PlannedTask& t : plan.tasks) {
    if (which(t)) batch.results.push_back({t.key, ResultRecord{}});
  }
  ASSERT_TRUE(index->Commit(batch).ok());
}

std::map<std::string, int> Count(const Plan& plan, const Probed& probed, Probed::State state) {
  std::map<std::string, int> n;
  for (size_t i = 0; i < plan.tasks.size(); ++i) n[plan.tasks[i].pass] += probed.state[i] == state;
  std::erase_if(n, [](const auto& entry) { return entry.second == 0; });
  return n;
}

constexpr char kThreeDeep[] = R"(
    pass { name: "c" from: "plate" step { degrain {} } }
    pass { name: "k" from: "c" step { color_difference {} } }
    pass { name: "p" from: "c" step { attach_matte { matte: "k" } } })";
using Counts = std::map<std::string, int>;

TEST(Probe, EmptyCacheRendersAll) {
  const Plan plan = PlanAll(Shot(kThreeDeep));
  MemoryResultIndex index;
  const auto probed = Probe(plan, index);
  ASSERT_TRUE(probed.ok());
  EXPECT_EQ(Count(plan, *probed, Probed::kRender),
            (Counts{{"c", 5}, {"k", 5}, {"p", 5}, {"deliver d", 5}, {"motion plate", 4}}));
}

TEST(Probe, AHitPrunesEverythingAboveIt) {
  const Plan plan = PlanAll(Shot(kThreeDeep));
  MemoryResultIndex index;
  Store(
      plan, [](const PlannedTask& t) { return t.pass == "p" && t.frame != 1003; }, &index);
  const auto probed = Probe(plan, index);
  ASSERT_TRUE(probed.ok());
  EXPECT_EQ(Count(plan, *probed, Probed::kHit), (Counts{{"p", 4}}));
  EXPECT_EQ(Count(plan, *probed, Probed::kRender),
            (Counts{{"c", 1}, {"k", 1}, {"p", 1}, {"deliver d", 5}, {"motion plate", 2}}));
  EXPECT_EQ(Count(plan, *probed, Probed::kNotNeeded), (Counts{{"c", 4}, {"k", 4}, {"motion plate", 2}}));
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    EXPECT_EQ(probed->record[i] != nullptr, probed->state[i] == Probed::kHit);
  }
}

// What one branch can do without, another may need.
TEST(Probe, AHitOnOneWayDoesNotPruneAnother) {
  const Plan plan = PlanAll(Shot(kThreeDeep));
  MemoryResultIndex index;
  Store(
      plan, [](const PlannedTask& t) { return t.pass == "k"; }, &index);
  const auto probed = Probe(plan, index);
  ASSERT_TRUE(probed.ok());
  EXPECT_EQ(Count(plan, *probed, Probed::kRender), (Counts{{"c", 5}, {"p", 5}, {"deliver d", 5}, {"motion plate", 4}}));
  EXPECT_EQ(Count(plan, *probed, Probed::kHit), (Counts{{"k", 5}}));
}

TEST(Probe, EverythingThereIsOneLookPerTarget) {
  const Plan plan = PlanAll(Shot(kThreeDeep));
  MemoryResultIndex index;
  Store(
      plan, [](const PlannedTask&) { return true; }, &index);
  const auto probed = Probe(plan, index);
  ASSERT_TRUE(probed.ok());
  EXPECT_EQ(Count(plan, *probed, Probed::kHit), (Counts{{"deliver d", 5}}));
  EXPECT_EQ(Count(plan, *probed, Probed::kRender), (Counts{}));
}

// --- task messages ---

TEST(TaskSpec, HoldsWhatTheWorkerNeeds) {
  const Plan plan = PlanAll(Shot(R"(
    pass { name: "k" from: "plate" step { color_difference {} } }
    pass { name: "p" from: "k" step { levels {} } step { within { mask: "boots" } } step { combine { with: "k" } } })"));
  const PlannedTask& task = *FindTask(plan, "p", 1002);
  Manifest manifest;
  manifest.set_kind(MATTE);
  const TaskSpec spec = MakeTaskSpec(plan, task, [&](const ResultKey& key) {
    EXPECT_EQ(key, KeyAt(plan, "k", 1002));
    return &manifest;
  });
  EXPECT_EQ(spec.key(), task.key.digest.str());
  EXPECT_EQ(spec.format().width(), 64u);
  EXPECT_EQ(spec.stack(), "shot");
  EXPECT_EQ(spec.pass(), "p");
  EXPECT_EQ(spec.frame(), 1002);
  ASSERT_EQ(spec.step_size(), 3);
  EXPECT_EQ(spec.step(0).levels().white().value(), 1);
  ASSERT_EQ(spec.input_size(), 3);
  EXPECT_EQ(spec.input(0).step(), -1);
  EXPECT_EQ(spec.input(0).port(), "in");
  EXPECT_EQ(spec.input(0).stored().kind(), MATTE);
  EXPECT_EQ(spec.input(1).step(), 1);
  EXPECT_EQ(spec.input(1).port(), "mask");
  EXPECT_EQ(spec.input(1).name(), "boots");
  EXPECT_EQ(spec.input(1).mask().shape_size(), 1);
  EXPECT_EQ(spec.input(2).step(), 2);
  EXPECT_EQ(spec.input(2).port(), "with");
}

TEST(TaskSpec, PlatesSayHowTheyAreDecoded) {
  const Plan plan = PlanAll(Shot(R"(pass { name: "p" from: "plate" step { grade {} } })"));
  const TaskSpec spec = MakeTaskSpec(plan, *FindTask(plan, "p", 1002), [](const ResultKey&) { return nullptr; });
  const PlateRead& plate = spec.input(0).plate();
  EXPECT_EQ(plate.path(), "/a/plate.1002.exr");
  EXPECT_EQ(plate.digest(), Sha256("/a/plate.1002.exr").str());
  EXPECT_EQ(plate.encoding(), ENCODING_LINEAR);
}

}  // namespace
}  // namespace selvage::plan
