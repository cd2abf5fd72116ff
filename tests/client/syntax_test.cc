#include "client/language/syntax.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "client/language/stack_file.h"
#include "proto/stack.pb.h"

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

// "3:7: message" of each fault.
std::vector<std::string> Faults(const std::string& text) {
  std::vector<std::string> faults;
  for (const Fault& f : ReadSyntax(text, Stack::descriptor()).faults) {
    faults.push_back(absl::StrCat(f.line, ":", f.column, ": ", f.message));
  }
  return faults;
}

std::string Only(const std::string& text) {
  const std::vector<std::string> faults = Faults(text);
  EXPECT_EQ(faults.size(), 1u) << ::testing::PrintToString(faults) << "\n" << text;
  return faults.empty() ? "" : faults[0];
}

// In a pass, so that each case is short.
std::string InStep(const std::string& step) { return "pass { name: \"core\" from: \"plate\" step { " + step + " } }"; }

TEST(Syntax, WhatIsRightHasNoFaults) {
  for (const char* text : {
           "",
           "# only a comment",
           "name: 'a' 'b' frames { first: -5, last: 7; }",
           "pass < name: \"a\" step: { levels: {} } >",
           "pass { step { luma_range { low: -.5 high: 1e3 invert: true weights: 1 } } }",
           "pass { step { flood { color: #00b140 } } }",
           "pass { step { flood { color: \"#00B140\" as: matte } } }",
           "pass { step { flood { color: [ -0.1 , 1, 2 ] alpha { at { frame: 1 value: 0 } ease: smooth } } } }",
           "mask { shape { at [{ frame: 1 path: \"M 0 0\" }, { frame: 2 path: \"M 0 0\" }] } }",
           "note: \"line\\n tab\\t quote\\\" umlaut \u00e4\" # \u201ccurly\u201d in a comment",
       }) {
    EXPECT_THAT(Faults(text), ElementsAre()) << text;
    EXPECT_TRUE(StackFile::Parse("a.stack", text).ok()) << StackFile::Parse("a.stack", text).status();
  }
}

TEST(Syntax, EachFaultSaysWhatToWrite) {
  const std::pair<std::string, std::string> kCases[] = {
      {"name \"a\"", "1:1: a colon is missing after `name`: write name: \"...\""},
      {"name = \"a\"", "1:6: write a colon instead of ="},
      {"name: apiary", "1:7: `name` takes a text in quotes: write name: \"apiary\""},
      {"name:\nframes { first: 1 last: 2 }", "1:1: `name` has no value: it takes a text in quotes"},
      {"name: \"a\" name: \"b\"", "1:11: `name` is given twice; the first is on line 1"},
      {"name: \"a\nframes {}", "1:7: the text that begins here has no closing \" on its line"},
      {"name: \u201capiary\u201d", "1:7: curly quotes are not understood: write straight ones, \"apiary\""},
      {"note: \"a\\qb\"", "1:9: a backslash in a text is written twice"},
      {"frames { first: 1,5 last: 2 }", "1:19: a number has a decimal point, not a comma"},
      {"frames { first: 1.5 }", "`first` takes a whole number, and 1.5 is given"},
      {"frames { first: 0101 }", "written without zeros before it: 101"},
      {"frames { first: \"1001\" }", "`first` takes a whole number, and \"1001\" is given"},
      {"frames { first: 99999999999 }", "`first`: 99999999999 is too large"},
      {"format { width: -4 }", "`width`: -4 is below 0"},
      {"frames { first: +4 }", "written without +"},
      {"frames: 1001", "`frames` takes a block: frames { ... }"},
      {"name { x: 1 }", "`name` has no block: write name: \"...\""},
      {"// note\nname: \"a\"", "1:1: a comment begins with #, not with //"},
      {"/* note */ name: \"a\"", "a comment begins with #"},
      {"plate { missing: HOLDS }", "`missing` cannot be HOLDS; did you mean HOLD? allowed: FAIL, HOLD"},
      {"plate { missing: \"HOLD\" }", "write missing: HOLD without quotes"},
      {"plate { encoding: rec709 }", "allowed: LINEAR, SRGB, BT709"},
      {"mask { invert: yes }", "`invert` is true or false, and yes is given"},
      {"plates { name: \"a\" }", "1:1: there is no field \"plates\" at the top of the file; did you mean \"plate\"?"},
      {"plate { file: \"a\" }", "there is no field \"file\" in `plate`; did you mean \"files\"?"},
      {"step { levels {} }", "it belongs inside `pass { }`"},
      {"pass { levels {} }", "an operator is written step { levels { } }"},
      {"{ name: \"a\" }", "a name is missing before this {"},
      {"name: \"a\" ,, note: \"b\"", "this , is one too many"},
      {"42", "expected the name of a field"},
      {"frames { first: 1 } }", "1:21: this } closes nothing"},
      {InStep("chok {}"), "there is no operator \"chok\"; did you mean \"choke\"?"},
      {InStep("levels {} choke {}"), "a step holds one operator, and `levels` on line 1 is it: give `choke` a step"},
      {InStep("levels { black: \"0.5\" }"), "`black` takes a number, without quotes"},
      {InStep("levels { black: dark }"), "`black` takes a number, and dark is given"},
      {InStep("levels { black 0.5 }"), "a colon is missing after `black`: write black: 0.5"},
      {InStep("levels { black: [0.5, 1] }"), "`black` takes one number, and 2 are given"},
      {InStep("levels { black: }"), "`black` has no value: it takes a number"},
      {InStep("choke { pixels: 2px }"), "\"2px\" is not a number: write it in decimal and without a unit, as in 2"},
      {InStep("choke { pixels: \u22122 }"), "is a dash: write a plain minus"},
      {InStep("choke { pixels:\u00a02 }"), "a special space (U+00A0) stands here"},
      {InStep("flood { color: [0.1, 0.2] }"), "three numbers, red, green and blue: [0.1, 0.6, 0.2]; 2 are given"},
      {InStep("flood { color: [0.1 0.2, 0.3] }"), "a comma is missing before this number"},
      {InStep("flood { color: \"green\" }"), "\"green\" is not a colour: write color: \"#00b140\""},
      {InStep("despill { screen { hue: GREEN color: 1 } }"), "`color` and `hue` (line 1) exclude each other"},
      {InStep("despill { hue: GREEN }"), "there is no field \"hue\" in `despill`; it belongs inside `screen { }`"},
  };
  for (const auto& [text, part] : kCases) {
    const std::vector<std::string> faults = Faults(text);
    ASSERT_EQ(faults.size(), 1u) << text << ::testing::PrintToString(faults);
    EXPECT_THAT(faults[0], HasSubstr(part)) << text;
    // Nothing of the parser's own.
    for (const std::string& f : faults) {
      for (const char* raw : {"Expected \"", "selvage.", "libprotobuf", "codepoint", "Message type"}) {
        EXPECT_THAT(f, Not(HasSubstr(raw)));
      }
    }
  }
}

TEST(Syntax, AllFaultsAreFoundAtOnceInTheirPlaces) {
  EXPECT_THAT(Faults("nam: \"a\"\n"
                     "frames { first: 1 lst: 2 }\n"
                     "pass {\n"
                     "  name: core from: \"plate\"\n"
                     "  step { levls { black: 1 } }\n"
                     "  step { levels { blak: 1 white: \"x\" } }\n"
                     "}\n"
                     "deliver { name: \"d\" from: \"core\" files: \u201cx.exr\u201d }\n"),
              ElementsAre(HasSubstr("1:1: there is no field \"nam\""), HasSubstr("2:19: there is no field \"lst\""),
                          HasSubstr("4:9: `name` takes a text in quotes"), HasSubstr("5:10: there is no operator"),
                          HasSubstr("6:19: there is no field \"blak\""), HasSubstr("6:34: `white` takes a number"),
                          HasSubstr("8:41: curly quotes")));
}

TEST(Syntax, AtMostTwentyAreShown) {
  std::string text;
  for (int i = 0; i < 1000; ++i) text += "nothing_like_it: 1\n";
  EXPECT_EQ(Faults(text).size(), kMostSyntaxFaults);
}

// The line where the block began, not the line where it was noticed.
TEST(Syntax, AnUnclosedBlockNamesTheLineWhereItBegan) {
  EXPECT_EQ(Only("name: \"a\"\n"
                 "pass {\n"
                 "  name: \"core\"\n"
                 "  step { levels { black: 0.1 } }\n"
                 "\n"
                 "pass {\n"
                 "  name: \"edge\"\n"
                 "}\n"),
            "2:1: the block `pass {` that begins on line 2 is never closed: add a } before line 6");
  EXPECT_EQ(Only("pass {\n"
                 "  name: \"core\"\n"
                 "  step { levels { black: 0.1 }\n"
                 "  step { choke {} }\n"
                 "}\n"
                 "pass { name: \"edge\" }\n"),
            "3:3: the block `step {` that begins on line 3 is never closed: add a } before line 4");
  // The brace on the left was meant for the pass.
  EXPECT_EQ(Only("pass {\n"
                 "  name: \"core\"\n"
                 "  step { levels { black: 0.1 }\n"
                 "}\n"
                 "pass { name: \"edge\" }\n"),
            "3:3: the block `step {` that begins on line 3 is never closed: add a } before line 5");
  EXPECT_EQ(Only("mask {\n  name: \"m\"\n  shape {\n    path: \"M 0 0\"\n"
                 "}\n"),
            "3:3: the block `shape {` that begins on line 3 is never closed: add a } before the end of the file");
}

TEST(Syntax, AFieldThatStandsTooDeepIsNotAnUnclosedBlock) {
  EXPECT_THAT(Only("pass { name: \"a\" step { levels { black { at { frame: 1 value: 0 ease: HOLD } } } } }"),
              HasSubstr("there is no field \"ease\" in `at`; it belongs in `black`: close `at { }` before it"));
}

TEST(Syntax, DeepNestingAndEndlessListsEnd) {
  std::string deep = "pass { step { grade { ";
  for (int i = 0; i < 100'000; ++i) deep += "gain { ";
  EXPECT_FALSE(Faults(deep).empty());
  std::string list = "pass { step { flood { color: ";
  for (int i = 0; i < 100'000; ++i) list += "[";
  EXPECT_FALSE(Faults(list).empty());
}

}  // namespace
}  // namespace selvage::client
