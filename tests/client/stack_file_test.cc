#include "client/language/stack_file.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

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

// Written by some editors before the text.
TEST(StackFile, AByteOrderMarkIsNoFault) {
  const auto file = StackFile::Read(Write("bom.stack", "\xef\xbb\xbfname: \"a\"\nnonsense: 1\n"));
  ASSERT_FALSE(file.ok());
  EXPECT_EQ(std::string(file.status().message()).find("bom.stack:1:"), std::string::npos) << file.status();
  EXPECT_TRUE(StackFile::Read(Write("bom2.stack", "\xef\xbb\xbfname: \"a\"\n")).ok());
}

TEST(StackFile, ShortFormsAreTakenAndPlacesStayTheArtists) {
  const std::string path =
      Write("short.stack",
            "plate { name: \"p\" files: \"/p.exr\" encoding: srgb missing: hold }\n"
            "pass {\n"
            "  name: \"core\" from: \"p\"\n"
            "  step { color_difference { larger_weight: 0.5 screen { color: [0.1, 0.8, 0.2] } } }\n"
            "  step { levels { black: 0.1 white: 17 } }\n"
            "  step { choke { pixels: -2 shape: square } }\n"
            "}\n"
            "pass { name: \"b\" step { flood { color: \"#ff0000\" } } }\n");
  const auto file = StackFile::Read(path);
  ASSERT_TRUE(file.ok()) << file.status();
  const Stack& s = file->stack();
  EXPECT_EQ(s.plate(0).encoding(), ENCODING_SRGB);
  EXPECT_EQ(s.plate(0).missing(), Plate::HOLD);
  EXPECT_EQ(s.pass(0).step(0).color_difference().larger_weight().value(), 0.5);
  EXPECT_EQ(s.pass(0).step(0).color_difference().screen().color().g(), 0.8);
  EXPECT_EQ(s.pass(0).step(2).choke().pixels().value(), -2);
  EXPECT_EQ(s.pass(0).step(2).choke().shape(), Choke::SQUARE);
  EXPECT_EQ(s.pass(1).step(0).flood().color().r(), 1);
  // Behind what the short forms of its line were written out to.
  EXPECT_EQ(file->Locate("pass[0].step[1].levels.white"), path + ":5:30");
  EXPECT_EQ(file->Locate("pass[0].step[2].choke.shape"), path + ":6:29");
  EXPECT_EQ(file->Locate("pass[1].step[0].flood.color"), path + ":8:33");
}

TEST(StackFile, WhatIsNoTextIsSaidOnce) {
  for (const std::string& text :
       {std::string("\x89PNG\r\n\x1a\n nonsense"), std::string("na\0me", 5), std::string("name: \"\xff\"")}) {
    const auto file = StackFile::Parse("x.stack", text);
    ASSERT_FALSE(file.ok());
    EXPECT_NE(std::string(file.status().message()).find("x.stack:1:"), std::string::npos) << file.status();
    EXPECT_NE(std::string(file.status().message()).find("not a text in UTF-8"), std::string::npos) << file.status();
  }
  EXPECT_NE(std::string(StackFile::Parse("x.stack", std::string("\xff\xfen\0", 4)).status().message()).find("UTF-16"),
            std::string::npos);
}

}  // namespace
}  // namespace selvage::client
