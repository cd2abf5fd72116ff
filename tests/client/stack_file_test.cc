#include "client/language/stack_file.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "client/language/manual.h"
#include "client/output.h"
#include "client/progress.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

std::string Write(const std::string& name, const std::string& text) {
  const std::string path = ::testing::TempDir() + name;
  std::ofstream(path) << text;
  return path;
}

TEST(StackFile, LocatesFieldsByLineAndColumn) {
  const std::string path = Write("a.stack",
                                 "name: \"a\"\n"
                                 "pass {\n"
                                 "  name: \"core\"\n"
                                 "  step { color_difference {} }\n"
                                 "  step {\n"
                                 "    levels { black { value: 17 } }\n"
                                 "  }\n"
                                 "}\n");
  const auto file = StackFile::Read(path);
  ASSERT_TRUE(file.ok()) << file.status();
  EXPECT_EQ(file->Locate("pass[0].name"), path + ":3:3");
  EXPECT_EQ(file->Locate("pass[0].step[1].levels.black"), path + ":6:14");
  EXPECT_EQ(file->Locate("pass[0].step[1].levels.white"), path + ":6:5") << "what is not there: its nearest parent";
  EXPECT_EQ(file->Locate("frames"), path);
  EXPECT_EQ(file->Locate("nonsense[3].x"), path);
}

TEST(StackFile, ParseErrorsSpeakOfOperatorsNotOfMessages) {
  const auto file = StackFile::Read(Write("b.stack", "pass { step { chok {} } }"));
  ASSERT_FALSE(file.ok());
  const std::string message(file.status().message());
  EXPECT_NE(message.find("b.stack:1:15: there is no operator \"chok\"; did you mean \"choke\"?"), std::string::npos)
      << message;
}

TEST(StackFile, PlatePathsStartAtTheStacksFolder) {
  const auto file = StackFile::Read(Write("c.stack", "plate { name: \"p\" files: \"sub/../x.%04d.exr\" }"));
  ASSERT_TRUE(file.ok());
  EXPECT_EQ(std::filesystem::path(file->stack().plate(0).files()),
            (std::filesystem::path(::testing::TempDir()) / "x.%04d.exr").lexically_normal());
}

TEST(StackFile, DeepNestingIsAnErrorNotACrash) {
  std::string text = "pass { step { grade { ";
  for (int i = 0; i < 100'000; ++i) text += "gain { ";
  EXPECT_FALSE(StackFile::Read(Write("d.stack", text)).ok());
}

TEST(Manual, EveryOperatorForStacksHasAPageWithCommentsAndAParsableIndexLine) {
  const std::string index = ManualIndex();
  for (const Operator& op : Operators()) {
    const auto page = ManualPage(op.name);
    ASSERT_EQ(page.ok(), !op.traits.internal()) << op.name;
    if (!page.ok()) continue;
    EXPECT_NE(index.find("  " + op.name + " "), std::string::npos) << op.name;
    for (int i = 0; i < op.message->field_count(); ++i) {
      EXPECT_NE(page->find(op.message->field(i)->name()), std::string::npos) << op.name;
    }
    // A page without its comment would be empty above "takes".
    EXPECT_GT(page->find("  takes"), op.name.size() + 30) << op.name;
  }
}

TEST(Manual, MisspeltNameSuggestsTheClosest) {
  const auto page = ManualPage("despil");
  ASSERT_FALSE(page.ok());
  EXPECT_NE(std::string(page.status().message()).find("did you mean \"despill\"?"), std::string::npos);
}

TEST(Output, TablesAlignAndNumbersStandRight) {
  EXPECT_EQ(Table({"pass", "render"}, {{"core", "7"}, {"boots_edge", "12"}}),
            "pass        render\n"
            "core             7\n"
            "boots_edge      12\n");
}

TEST(Output, FramesAreShownAsRanges) {
  google::protobuf::RepeatedField<int32_t> frames;
  for (int f : {1003, 1001, 1002, 1010, 1001}) frames.Add(f);
  EXPECT_EQ(FrameList(frames), "1001-1003, 1010");
}

TEST(Progress, PlainOutputIsALineEveryTwoSecondsAndATableAtTheEnd) {
  ProgressDisplay display(false);
  JobProgress p;
  p.set_stack_name("s");
  p.set_state(JOB_RUNNING);
  p.set_workers(1);
  auto* pass = p.add_pass();
  pass->set_pass("core");
  pass->set_total(10);
  pass->set_rendered(4);
  pass->set_reused(1);
  p.set_seconds(1);
  EXPECT_NE(display.Update(p).find("5 of 10 tasks  4 rendered  1 reused"), std::string::npos);
  pass->set_tiles_rendered(3);
  pass->set_tiles_reused(37);
  p.set_seconds(2);
  EXPECT_EQ(display.Update(p), "");
  p.set_seconds(3.5);
  EXPECT_NE(display.Update(p), "");
  pass->set_failed(5);
  p.set_state(JOB_FAILED);
  p.set_seconds(9);
  EXPECT_EQ(display.Update(p), "") << "the end is said once, by Final";
  p.add_problem("pass \"core\" frame 1007: why");
  const std::string last = display.Final(p);
  EXPECT_NE(last.find("[################] 10/10"), std::string::npos) << last;
  EXPECT_NE(last.find("4 rendered  3 of 40 tiles  1 reused"), std::string::npos) << last;
  EXPECT_NE(last.find("problem: pass \"core\" frame 1007: why"), std::string::npos);
}

TEST(Progress, LiveOutputRedrawsInPlaceAndFitsTheWindow) {
  ProgressDisplay display(true, 10, 60);
  JobProgress p;
  p.set_state(JOB_RUNNING);
  for (int i = 0; i < 30; ++i) p.add_pass()->set_pass("pass_" + std::to_string(i));
  const std::string first = display.Update(p);
  EXPECT_EQ(first.find("\x1b[9A"), std::string::npos);
  EXPECT_EQ(std::count(first.begin(), first.end(), '\n'), 9);
  EXPECT_EQ(display.Update(p).rfind("\x1b[9A", 0), 0u) << "goes up over what it drew";
}

}  // namespace
}  // namespace selvage::client
