#include "client/shots.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

std::string Write(const std::string& name, const std::string& text) {
  const std::string path = ::testing::TempDir() + name;
  std::ofstream(path) << text;
  return path;
}

TEST(Shots, ACsvNamesPlatesFramesAndSettingsByColumn) {
  const std::string path = Write("lot.csv",
                                 "name, frames, plate:plate, core.levels.white\r\n"
                                 "a_010,1001-1048,\"plates/a, 010.%04d.exr\",\r\n"
                                 "\r\n"
                                 "a_020,1001,/shots/b.%04d.exr,0.75\n"
                                 "a_030,1048-1001,,\n"
                                 "a_010,,,\n"
                                 ",1001,,\n"
                                 "a_040,1001,,,,7\n"
                                 "a_050\n");
  const auto shots = ReadShots(path);
  ASSERT_TRUE(shots.ok()) << shots.status();
  ASSERT_EQ(shots->size(), 7u);
  EXPECT_EQ((*shots)[0].where, path + ":2");
  EXPECT_EQ((*shots)[0].shot.plate(0).files(), "plates/a, 010.%04d.exr");
  EXPECT_EQ((*shots)[0].shot.frames().last(), 1048);
  EXPECT_EQ((*shots)[0].shot.set_size(), 0) << "an empty cell leaves what the stack says";
  EXPECT_EQ((*shots)[1].where, path + ":4");
  EXPECT_THAT((*shots)[1].shot.set(), ElementsAre("core.levels.white=0.75"));
  EXPECT_THAT(std::string((*shots)[2].fault.message()), HasSubstr("is not a range of frames"));
  EXPECT_THAT(std::string((*shots)[3].fault.message()), HasSubstr("is listed before, at " + path + ":2"));
  EXPECT_THAT(std::string((*shots)[4].fault.message()), HasSubstr("needs a name"));
  EXPECT_THAT(std::string((*shots)[5].fault.message()), HasSubstr("6 cells, but the header names 4 columns"));
  EXPECT_TRUE((*shots)[6].fault.ok());
}

TEST(Shots, TheTextFormHasTheSame) {
  const std::string path = Write("lot.shots",
                                 "shot { name: \"a\" frames { first: 1 last: 9 } plate { name: \"p\" files: \"x\" } }\n"
                                 "shot { name: \"b\" set: \"core.levels.white=1\" }\n");
  const auto shots = ReadShots(path);
  ASSERT_TRUE(shots.ok()) << shots.status();
  ASSERT_EQ(shots->size(), 2u);
  EXPECT_EQ((*shots)[1].where, path + ":2");
  EXPECT_EQ((*shots)[1].shot.set(0), "core.levels.white=1");
  const auto bad = ReadShots(Write("bad.shots", "shot { nam: 3 }"));
  EXPECT_THAT(std::string(bad.status().message()), HasSubstr("bad.shots:1:"));
}

TEST(Shots, AFileThatIsNoListIsRefused) {
  EXPECT_THAT(std::string(ReadShots("/nowhere/x.csv").status().message()), HasSubstr("no such list"));
  EXPECT_THAT(std::string(ReadShots(Write("empty.csv", "")).status().message()), HasSubstr("is empty"));
  EXPECT_THAT(std::string(ReadShots(Write("head.csv", "name,frames\n")).status().message()),
              HasSubstr("names no shot"));
  EXPECT_THAT(std::string(ReadShots(Write("nameless.csv", "shot,frames\na,1\n")).status().message()),
              HasSubstr("the first line names the columns"));
}

TEST(Shots, AShotsStackIsTheStackWithItsOwnPlatesFramesAndSettings) {
  Stack stack;
  stack.set_name("lot");
  stack.mutable_frames()->set_last(5);
  stack.add_plate()->set_name("plate");
  stack.mutable_plate(0)->set_files("/old.%04d.exr");
  stack.add_pass()->set_name("core");
  stack.mutable_pass(0)->add_step()->mutable_choke()->mutable_pixels()->set_value(1);
  ShotList::Shot shot;
  shot.set_name("a");
  shot.add_plate()->set_name("plate");
  shot.mutable_plate(0)->set_files("p/a.%04d.exr");
  shot.add_set("core.choke.pixels=2");
  const auto made = StackOfShot(stack, shot, "/lists");
  ASSERT_TRUE(made.ok()) << made.status();
  EXPECT_EQ(made->name(), "a");
  EXPECT_EQ(made->plate(0).files(), "/lists/p/a.%04d.exr");
  EXPECT_EQ(made->frames().last(), 5);
  EXPECT_EQ(made->pass(0).step(0).choke().pixels().value(), 2);
  shot.mutable_plate(0)->set_name("pla");
  EXPECT_THAT(std::string(StackOfShot(stack, shot, "/").status().message()), HasSubstr("has no plate \"pla\""));
}

}  // namespace
}  // namespace selvage::client
