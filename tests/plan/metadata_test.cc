// What plate files say beside their pixels on its way into deliverables, and which of
// their pictures is read.
#include "absl/strings/str_cat.h"
#include "gmock/gmock.h"
#include "proto/version.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using ::testing::HasSubstr;
using ::testing::SizeIs;

constexpr char kShot[] = R"(
  name: "shot" frames { first: 1001 last: 1002 } format { width: 64 height: 48 }
  plate { name: "plate" files: "/a/plate.%04d.exr" }
  plate { name: "meadow" files: "/a/meadow.%04d.exr" }
  mask { name: "boots" shape { path: "M0 0H9V9Z" } }
  pass { name: "graded" from: "plate" step { grade {} } }
  pass { name: "comp" from: "graded" step { composite { with: "meadow" } } }
  deliver { name: "comp" from: "comp" files: "/o/comp.%04d.exr" }
  deliver { name: "boots" from: "boots" files: "/o/boots.%04d.exr" }
)";

FactsOf With(const Disk& disk, const std::function<void(const std::string& path, PlateFacts*)>& change) {
  return [=, &disk](const std::string& path) -> const PlateFacts* {
    const PlateFacts* facts = disk.Facts()(path);
    change(path, const_cast<PlateFacts*>(facts));
    return facts;
  };
}

Plan PlanWith(const std::string& text, const std::function<void(const std::string& path, PlateFacts*)>& change) {
  const Stack stack = ParseStack(text);
  EXPECT_THAT(Validate(stack), SizeIs(0));
  const Disk disk;
  const std::vector<Target> targets = DeliverableTargets(stack);
  return *BuildPlan(stack, targets, *FindPlateFiles(stack, targets, disk.Exists()), With(disk, change));
}

DeliverFile FileAt(const Plan& plan, const std::string& name, int32_t frame) {
  return FindTask(plan, "deliver " + name, frame)->steps->front().deliver_file();
}

// Each plate's reel is its file's name.
void SayReel(const std::string& path, PlateFacts* facts) { facts->mutable_metadata()->set_reel(path); }

TEST(Metadata, ADeliverableCarriesThatOfThePlateThatItBeginsWithAtItsFrame) {
  const Plan plan = PlanWith(kShot, SayReel);
  ASSERT_THAT(plan.errors, SizeIs(0));
  EXPECT_EQ(FileAt(plan, "comp", 1001).metadata().reel(), "/a/plate.1001.exr");
  EXPECT_EQ(FileAt(plan, "comp", 1002).metadata().reel(), "/a/plate.1002.exr");
  EXPECT_FALSE(FileAt(plan, "boots", 1001).has_metadata()) << "begins with a mask";
}

TEST(Metadata, ItIsInTheKeyOfTheDeliverableAndOfNothingElse) {
  const Plan silent = PlanAll(kShot), speaking = PlanWith(kShot, SayReel);
  EXPECT_EQ(KeyAt(silent, "comp", 1001), KeyAt(speaking, "comp", 1001));
  EXPECT_NE(KeyAt(silent, "deliver comp", 1001), KeyAt(speaking, "deliver comp", 1001));
  EXPECT_EQ(KeyAt(silent, "deliver boots", 1001), KeyAt(speaking, "deliver boots", 1001));
  // A file that says nothing is as one that was not asked.
  const Plan asked = PlanWith(kShot, [](const std::string&, PlateFacts* facts) { facts->mutable_metadata(); });
  EXPECT_EQ(KeyAt(silent, "deliver comp", 1001), KeyAt(asked, "deliver comp", 1001));
}

TEST(Metadata, WhatIsNoNumberIsLeftOut) {
  const Plan plan = PlanWith(kShot, [](const std::string&, PlateFacts* facts) {
    facts->mutable_metadata()->set_pixel_aspect(std::numeric_limits<float>::quiet_NaN());
  });
  ASSERT_THAT(plan.errors, SizeIs(0));
  EXPECT_FALSE(FileAt(plan, "comp", 1001).has_metadata());
}

// Two versions write different bytes: they must not share a key.
TEST(Metadata, TheVersionThatIsWrittenIsInTheKey) {
  const Plan plan = PlanAll(kShot);
  EXPECT_EQ(FileAt(plan, "comp", 1001).version(), kVersion);
}

void HavePartsAndLayers(const std::string&, PlateFacts* facts) {
  facts->clear_part();
  for (const char* name : {"left", "right"}) {
    PlateFacts::Part* part = facts->add_part();
    part->set_name(name);
    for (const char* channel : {"R", "G", "B", "fg.R", "fg.G", "fg.B"}) part->add_channel(channel);
    *part->mutable_data_window() = facts->data_window();
  }
}

std::string Choosing(const std::string& choice) {
  return absl::StrCat(R"(name: "shot" frames { first: 1 last: 1 } format { width: 64 height: 48 }
    plate { name: "plate" files: "/a/p.%04d.exr" )",
                      choice, R"( }
    pass { name: "p" from: "plate" step { grade {} } }
    deliver { name: "d" from: "p" files: "/o/d.%04d.exr" })");
}

TEST(PartAndLayer, AreInTheReadAndInTheKeyOnlyWhereChosen) {
  const auto plan = [](const std::string& choice) { return PlanWith(Choosing(choice), HavePartsAndLayers); };
  const auto one_part = [](const std::string&, PlateFacts* facts) {
    facts->clear_part();
    for (const char* channel : {"R", "G", "B"}) {
      if (facts->part_size() == 0) facts->add_part();
      facts->mutable_part(0)->add_channel(channel);
    }
    *facts->mutable_part(0)->mutable_data_window() = facts->data_window();
  };
  const Plan plain = PlanAll(Choosing("")), first = plan("part: 'left'"), second = plan("part: 'right'"),
             number = plan("part: '1'"), layer = plan("part: 'left' layer: 'fg'");
  EXPECT_EQ(KeyAt(PlanWith(Choosing(""), one_part), "p", 1), KeyAt(plain, "p", 1)) << "as before there were parts";
  EXPECT_EQ(KeyAt(first, "p", 1), KeyAt(plain, "p", 1)) << "the first part is what is read unasked";
  EXPECT_NE(KeyAt(second, "p", 1), KeyAt(first, "p", 1));
  EXPECT_EQ(KeyAt(number, "p", 1), KeyAt(second, "p", 1)) << "the same picture by another name";
  EXPECT_NE(KeyAt(layer, "p", 1), KeyAt(first, "p", 1));
  const PlateRead& read = *FindTask(layer, "p", 1)->inputs.front().plate;
  EXPECT_EQ(read.part(), 0u);
  EXPECT_EQ(read.layer(), "fg");
  EXPECT_EQ(FindTask(second, "p", 1)->inputs.front().plate->part(), 1u);
}

TEST(PartAndLayer, AGuessIsAFaultWithItsPlace) {
  const Plan open = PlanWith(Choosing(""), HavePartsAndLayers);
  ASSERT_THAT(open.errors, SizeIs(1));
  EXPECT_EQ(open.errors[0].path(), "plate[0].files");
  EXPECT_THAT(open.errors[0].message(), HasSubstr("plate \"plate\": frame 1 (/a/p.0001.exr) has several parts"));
  EXPECT_THAT(open.errors[0].message(), HasSubstr("\"left\", \"right\""));
  const Plan wrong = PlanWith(Choosing("part: 'lefft'"), HavePartsAndLayers);
  ASSERT_THAT(wrong.errors, SizeIs(1));
  EXPECT_EQ(wrong.errors[0].path(), "plate[0].part");
  EXPECT_THAT(wrong.errors[0].message(), HasSubstr("did you mean \"left\"?"));
}

}  // namespace
}  // namespace selvage::plan
