#include "client/start/starting_stack.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "client/language/stack_file.h"
#include "proto/stack.pb.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

StartingStack Example() {
  StartingStack s;
  s.name = "apiary_010";
  s.file = "apiary_010.stack";
  s.plate_files = "plates/a\"b.%04d.exr";
  PlateFindings& f = s.findings;
  f.set_first(1001);
  f.set_last(1024);
  f.set_width(640);
  f.set_height(360);
  for (float v : {0.1f, 0.5f, 0.12f}) f.add_screen(v);
  f.add_surveyed(1001);
  f.mutable_box()->set_x(40);
  f.mutable_box()->set_y(24);
  f.mutable_box()->set_width(72);
  f.mutable_box()->set_height(72);
  f.set_garbage("M 8 8 L 600 8 L 600 400 Z");
  f.add_warning("it rains");
  return s;
}

Stack Parse(const std::string& text) {
  const auto file = StackFile::Parse("/apiary_010.stack", text);
  EXPECT_TRUE(file.ok()) << file.status() << "\n" << text;
  return file.ok() ? file->stack() : Stack();
}

std::vector<std::string> PassesOf(const Stack& stack) {
  std::vector<std::string> names;
  for (const Pass& p : stack.pass()) names.push_back(p.name());
  return names;
}

TEST(StartingStack, IsAStackWithComments) {
  const std::string text = TextOf(Example());
  const Stack stack = Parse(text);
  EXPECT_EQ(stack.name(), "apiary_010");
  EXPECT_EQ(stack.frames().last(), 1024);
  EXPECT_EQ(stack.plate(0).files(), "/plates/a\"b.%04d.exr");
  EXPECT_FALSE(stack.plate(0).has_encoding());
  EXPECT_THAT(PassesOf(stack), ElementsAre("clean_plate", "matte", "degrained", "grain", "inside", "own", "front",
                                           "background", "comp"));
  EXPECT_EQ(stack.pass(0).step(0).screen_plate().screen().sample().width(), 72u);
  EXPECT_EQ(stack.pass(2).step(0).degrain().sample().y(), 24);
  EXPECT_TRUE(stack.pass(1).step(0).has_unmix());
  // 6 pixels at 360 lines.
  EXPECT_EQ(stack.pass(4).step(0).choke().pixels().value(), 6);
  EXPECT_EQ(stack.pass(5).step(0).spread_color().core(), "inside");
  EXPECT_EQ(stack.pass(6).step(1).despill().own_color(), "own");
  EXPECT_EQ(stack.mask(0).shape(0).path(), "M 8 8 L 600 8 L 600 400 Z");
  EXPECT_EQ(stack.deliver(0).files(), "/out/comp/apiary_010.%04d.exr");
  EXPECT_THAT(text, HasSubstr("# Warning: it rains.\n"));
  EXPECT_THAT(text, HasSubstr("selvage look apiary_010.stack front --frame 1012 --as checker"));
  EXPECT_EQ(text.find('$'), std::string::npos);
}

TEST(StartingStack, LeavesOutWhatIsNotThere) {
  StartingStack s = Example();
  s.findings.clear_garbage();
  s.background_files = "bg/meadow.%04d.exr";
  s.findings.set_encoding(ENCODING_BT709);
  s.plate.missing = {1003};
  const Stack stack = Parse(TextOf(s));
  EXPECT_EQ(stack.mask_size(), 0);
  for (const Pass& pass : stack.pass()) {
    for (const Step& step : pass.step()) EXPECT_FALSE(step.has_within());
  }
  EXPECT_EQ(stack.plate(0).encoding(), ENCODING_BT709);
  EXPECT_EQ(stack.plate(0).missing(), Plate::HOLD);
  EXPECT_EQ(stack.plate(1).name(), "background");
  EXPECT_EQ(stack.plate(1).files(), "/bg/meadow.%04d.exr");
  EXPECT_THAT(PassesOf(stack),
              ElementsAre("clean_plate", "matte", "degrained", "grain", "inside", "own", "front", "comp"));
}

// Nothing looks at frames that are not there.
TEST(StartingStack, OneFrameHasNoNeighbours) {
  StartingStack s = Example();
  s.findings.set_last(1001);
  const Stack stack = Parse(TextOf(s));
  for (const Pass& pass : stack.pass()) {
    for (const Step& step : pass.step()) {
      EXPECT_FALSE(step.has_steady());
      EXPECT_EQ(step.degrain().window(), 0u);
    }
  }
}

TEST(StartingStack, HalvedChromaIsMadeFinerBeforeTheKey) {
  StartingStack s = Example();
  s.findings.set_chroma_halved(true);
  const Stack stack = Parse(TextOf(s));
  ASSERT_EQ(stack.pass(0).name(), "finer");
  EXPECT_TRUE(stack.pass(0).step(0).has_chroma_detail());
  ASSERT_EQ(stack.pass(1).name(), "bare");
  EXPECT_EQ(stack.pass(1).from(), "plate") << "in the plate as shot";
  EXPECT_TRUE(stack.pass(1).step(0).has_sure_screen());
  for (const Pass& pass : stack.pass()) {
    for (const Step& step : pass.step()) {
      if (step.has_unmix() || step.has_degrain() || step.has_screen_plate()) {
        EXPECT_EQ(pass.from(), "finer");
      }
      if (step.has_unmix()) {
        EXPECT_EQ(step.unmix().bare(), "bare");
      }
      if (step.has_steady()) {
        EXPECT_EQ(step.steady().plate(), "finer");
      }
    }
  }
}

// Thin hair has little alpha.
TEST(StartingStack, NoLevelsEatWhatIsThin) {
  const Stack stack = Parse(TextOf(Example()));
  for (const Pass& pass : stack.pass()) {
    for (const Step& step : pass.step()) EXPECT_FALSE(step.has_levels());
  }
}

class PlateFilesTest : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = ::testing::TempDir() + "plates-XXXXXX";
    folder_ = mkdtemp(pattern.data());
  }
  void TearDown() override { fs::remove_all(folder_); }
  void Touch(const std::string& name) const { std::ofstream(folder_ + "/" + name) << "x"; }
  absl::StatusOr<PlateFiles> Find(const std::string& name, std::optional<Frames> wanted = std::nullopt) const {
    return FindPlateFiles(folder_ + "/" + name, wanted);
  }
  std::string folder_;
};

TEST_F(PlateFilesTest, PatternAndOneFramesPathAreTheSame) {
  for (const char* name :
       {"a_v02.0998.exr", "a_v02.0999.exr", "a_v02.1002.exr", "a_v02.99.exr", "a_v02.1003.exr.tmp", "b_v02.1005.exr"}) {
    Touch(name);
  }
  for (const char* given : {"a_v02.%04d.exr", "a_v02.0999.exr"}) {
    const auto found = Find(given);
    ASSERT_TRUE(found.ok()) << found.status();
    EXPECT_EQ(found->pattern, folder_ + "/a_v02.%04d.exr");
    EXPECT_EQ(found->frames.first, 998);
    EXPECT_EQ(found->frames.last, 1002);
    EXPECT_THAT(found->missing, ElementsAre(1000, 1001));
    EXPECT_FALSE(found->still);
  }
  const auto some = Find("a_v02.%04d.exr", Frames{998, 999});
  ASSERT_TRUE(some.ok());
  EXPECT_EQ(some->frames.last, 999);
  EXPECT_THAT(some->missing, IsEmpty());
}

TEST_F(PlateFilesTest, NumberOfAFolder) {
  for (const char* name : {"f0001", "f0002"}) {
    fs::create_directory(folder_ + "/" + name);
    Touch(std::string(name) + "/plate.exr");
  }
  const auto found = Find("f%04d/plate.exr");
  ASSERT_TRUE(found.ok()) << found.status();
  EXPECT_EQ(found->frames.first, 1);
  EXPECT_EQ(found->frames.last, 2);
}

TEST_F(PlateFilesTest, AStillIsOneFrame) {
  Touch("plate.exr");
  const auto found = Find("plate.exr");
  ASSERT_TRUE(found.ok());
  EXPECT_TRUE(found->still);
  EXPECT_EQ(found->frames.first, found->frames.last);
}

TEST_F(PlateFilesTest, ANumberWithoutItsNeighboursIsNoFrame) {
  for (const char* name : {"shot_0360.png", "shot_0720.png", "shot_1080.png"}) Touch(name);
  const auto found = Find("shot_0360.png");
  ASSERT_TRUE(found.ok());
  EXPECT_TRUE(found->still);
  EXPECT_EQ(found->pattern, folder_ + "/shot_0360.png");
  EXPECT_THAT(found->missing, IsEmpty());
  // Unless frames are asked for.
  const auto frames = Find("shot_0360.png", Frames{360, 720});
  ASSERT_TRUE(frames.ok());
  EXPECT_FALSE(frames->still);
}

TEST_F(PlateFilesTest, WhatIsWrongIsSaid) {
  const auto message = [&](const std::string& name, std::optional<Frames> wanted = std::nullopt) {
    const auto found = Find(name, wanted);
    EXPECT_EQ(found.status().code(), absl::StatusCode::kInvalidArgument) << name;
    return std::string(found.status().message());
  };
  EXPECT_THAT(message("a.%04d.exr"), HasSubstr("--frames"));
  EXPECT_THAT(message("a.*.exr"), HasSubstr("write %04d"));
  EXPECT_THAT(message("a.exr"), HasSubstr("no such file"));
  EXPECT_THAT(message("a.%04d.%04d.exr"), HasSubstr("two frame numbers"));
  Touch("a.1001.exr");
  EXPECT_THAT(message("a.%04d.exr", Frames{1, 9}), HasSubstr("no frame within 1-9"));
  Touch("a.9999999.exr");
  EXPECT_THAT(message("a.%d.exr"), HasSubstr("more than 100000"));
}

// Frames that are missing are not surveyed: their nearest neighbours are.
TEST_F(PlateFilesTest, ExistingFramesAreTheNearestThatHaveAFile) {
  for (const char* name : {"a.1001.exr", "a.1002.exr", "a.1010.exr"}) Touch(name);
  const auto found = Find("a.%04d.exr");
  ASSERT_TRUE(found.ok()) << found.status();
  EXPECT_THAT(found->present, ElementsAre(1001, 1002, 1010));
  EXPECT_THAT(Existing({1001, 1003, 1005, 1008, 1010}, *found), ElementsAre(1001, 1002, 1010));
  EXPECT_THAT(Existing({900, 1005}, PlateFiles()), ElementsAre(900, 1005)) << "where nothing is known";
}

TEST_F(PlateFilesTest, ABackgroundMustBeThere) {
  Touch("bg.1001.exr");
  const auto find = [&](const std::string& name) { return FindBackground(folder_ + "/" + name, {1001, 1048}); };
  EXPECT_EQ(find("bg.%04d.exr").value_or(BackgroundFiles()).pattern, folder_ + "/bg.%04d.exr");
  EXPECT_EQ(find("bg.%04d.exr").value_or(BackgroundFiles()).offset, 0);
  EXPECT_EQ(find("bg.1001.exr").value_or(BackgroundFiles()).pattern, folder_ + "/bg.1001.exr") << "one stays one";
  EXPECT_THAT(std::string(find("none.%04d.exr").status().message()), HasSubstr("there are no such files"));
  EXPECT_THAT(std::string(find("none.exr").status().message()), HasSubstr("there is no such file"));
}

TEST_F(PlateFilesTest, ABackgroundThatIsNumberedFrom1GoesWithTheShotsFirstFrame) {
  for (const char* name : {"bg.0001.exr", "bg.0002.exr"}) Touch(name);
  EXPECT_EQ(FindBackground(folder_ + "/bg.%04d.exr", {1001, 1048}).value().offset, -1000);
  EXPECT_EQ(FindBackground(folder_ + "/bg.%04d.exr", {2, 48}).value().offset, 0) << "frame 2 is there";
  StartingStack s = Example();
  s.background_files = "bg/meadow.%04d.exr";
  s.background_offset = -1000;
  EXPECT_EQ(Parse(TextOf(s)).plate(1).offset(), -1000);
}

TEST_F(PlateFilesTest, FramesThatOnlyTheDaemonSees) {
  const auto found = Find("a.%04d.exr", Frames{1001, 1048});
  ASSERT_TRUE(found.ok());
  EXPECT_EQ(found->frames.last, 1048);
  EXPECT_THAT(found->missing, IsEmpty());
}

}  // namespace
}  // namespace selvage::client
