#include "proto/short_forms.h"

#include "gmock/gmock.h"
#include "google/protobuf/text_format.h"
#include "google/protobuf/util/message_differencer.h"
#include "gtest/gtest.h"
#include "proto/stack.pb.h"
#include "proto/stack_json.h"

namespace selvage {
namespace {

using google::protobuf::TextFormat;
using google::protobuf::util::MessageDifferencer;
using ::testing::HasSubstr;
using ::testing::SizeIs;

std::string Full(const std::string& text) {
  const auto expanded = ExpandShortForms(text, Stack::descriptor());
  EXPECT_TRUE(expanded.ok());
  for (const auto& f : expanded->faults) ADD_FAILURE() << f.message;
  return expanded->text;
}

// Short and full forms are the same stack.
void ExpectSame(const std::string& brief, const std::string& full) {
  Stack a, b;
  ASSERT_TRUE(TextFormat::ParseFromString(Full(brief), &a)) << Full(brief);
  ASSERT_TRUE(TextFormat::ParseFromString(full, &b)) << full;
  EXPECT_TRUE(MessageDifferencer::Equals(a, b)) << a.ShortDebugString();
}

TEST(ShortForms, ANumberStandsForItsValue) {
  ExpectSame("pass { step { levels { white: 0.7 black: -.1, gamma: 1e-1 } } }",
             "pass { step { levels { white { value: 0.7 } black { value: -0.1 } gamma { value: 0.1 } } } }");
  ExpectSame("pass: < step: < choke: < pixels:2 > > >", "pass { step { choke { pixels { value: 2 } } } }");
  ExpectSame("pass [{ step { choke { pixels: - # less\n 2; } } }]", "pass { step { choke { pixels { value: -2 } } } }");
  ExpectSame("mask { shape { feather: 6 opacity: 0.5 } track { x: 3 } }",
             "mask { shape { feather { value: 6 } opacity { value: 0.5 } } track { x { value: 3 } } }");
}

TEST(ShortForms, AColorIsThreeNumbersOrOneOrAWebColor) {
  const std::string full = "pass { step { grade { gain { r: 0.1 g: 0.2 b: -3 } } } }";
  ExpectSame("pass { step { grade { gain: [0.1, 0.2, -3] } } }", full);
  ExpectSame("pass { step { grade { gain: [ # red\n 0.1,\n\n0.2 , -3\n] } } }", full);
  ExpectSame("pass { step { grade { gain: 2 } } }", "pass { step { grade { gain { r: 2 g: 2 b: 2 } } } }");
  // sRGB 255, 128 and 10 in linear light: IEC 61966-2-1, worked in Python.
  const std::string web = "pass { step { grade { gain { r: 1 g: 0.215861 b: 0.00303527 } } } }";
  ExpectSame("pass { step { grade { gain: \"#ff800a\" } } }", web);
  ExpectSame("pass { step { grade { gain: '#FF800A' } } }", web);
  ExpectSame("pass { step { grade { gain: #ff800a } } }", web);
}

TEST(ShortForms, FullFormsTextsAndCommentsAreLeftAsTheyAre) {
  for (const std::string text : {
           "name: \"a: 1 { gamma: 2\" # gamma: 3\nnote: 'pixels: 2' \"more\"",
           "pass { step { levels { gamma { at { frame: 1 value: 2 } ease: SMOOTH } black: { value: 1 } } } }",
           "pass { step { grade { gain: { r: 1 g: 1 b: 1 } lift { at { frame: 1 r: 1 g: 2 b: 3 } } } } }",
           "frames { first: 1 last: 2 } pass { step { gamma: 2 } unknown: 3 unknown { gamma: [1, 2] } }",
           "pass { step { mix { weight: # a comment, no colour\n true } } }",
           "pass { step { levels { gamma: GREEN } } }",
       }) {
    EXPECT_EQ(Full(text), text);
  }
}

// The parser has the word on what is no text format.
TEST(ShortForms, BrokenTextIsLeftFromWhereItBreaks) {
  EXPECT_EQ(Full("pass { step { levels { gamma: 1 \"\n white: 2 } } }"),
            "pass { step { levels { gamma: {value: 1} \"\n white: 2 } } }");
  for (const std::string text :
       {"", "{", "pass {", "pass { step { levels { gamma:", "a: [", "pass { step { grade { gain: [1",
        "pass { step { grade { gain: [1,", "\xef\xbb\xbfname: \"a\"", "a: \"\\", "\"", "}", "-"}) {
    EXPECT_EQ(Full(text), text);
  }
  std::string deep;
  for (int i = 0; i < 100'000; ++i) deep += "pass {";
  EXPECT_EQ(Full(deep), deep);
}

TEST(ShortForms, PlacesLeadBackToTheOriginal) {
  const std::string text = "pass {\n\tstep { grade { gain: [1,\n 2, 3] gamma: 7 x: 1 } }\n}";
  const auto e = ExpandShortForms(text, Stack::descriptor());
  ASSERT_TRUE(e.ok());
  // Of every letter that is in both, and a tab is as wide as parsers make it.
  EXPECT_EQ(e->Original({0, 3}), (TextPlace{0, 3}));
  EXPECT_EQ(e->Original({1, 8}), (TextPlace{1, 8})) << "step";
  const auto place_of = [](const std::string& in, const std::string& word) {
    TextPlace p;
    for (size_t i = 0; i < in.find(word); ++i) {
      if (in[i] == '\n') {
        ++p.line;
        p.column = 0;
      } else {
        p.column += in[i] == '\t' ? 8 - p.column % 8 : 1;
      }
    }
    return p;
  };
  for (const std::string word : {"pass", "step", "grade", "gain", "2", "3", "gamma", "x:", "1 }", "} }\n}", "\n}"}) {
    EXPECT_EQ(e->Original(place_of(e->text, word)), place_of(text, word)) << word;
  }
  EXPECT_EQ(e->Original(place_of(e->text, "{r:")), place_of(text, "[")) << "what was written out";
  EXPECT_EQ(e->Original(place_of(e->text, "r: 7")), place_of(text, "7"));
  EXPECT_EQ(e->Original({99, 99}).line, 3) << "behind the end";
}

TEST(ShortForms, WhatSaysNothingIsAFaultWithItsPlaceAndTheRestGoesOn) {
  const auto e = ExpandShortForms(
      "pass { step { grade {\n gain: [1,\n 2]\n lift: \"red\" } }\n step { levels { black: [1, 2] white: \"1\" gamma: "
      "2 } } }",
      Stack::descriptor());
  ASSERT_TRUE(e.ok());
  ASSERT_THAT(e->faults, SizeIs(4));
  EXPECT_EQ(e->faults[0].at, (TextPlace{1, 7}));
  EXPECT_THAT(e->faults[0].message, HasSubstr("three numbers"));
  EXPECT_THAT(e->faults[0].message, HasSubstr("2 are given"));
  EXPECT_EQ(e->faults[1].at, (TextPlace{3, 7}));
  EXPECT_THAT(e->faults[1].message, HasSubstr("#rrggbb"));
  EXPECT_THAT(e->faults[2].message, HasSubstr("`black` takes one value"));
  EXPECT_THAT(e->faults[3].message, HasSubstr("without quotes"));
  Stack stack;
  ASSERT_TRUE(TextFormat::ParseFromString(e->text, &stack)) << e->text;
  EXPECT_EQ(stack.pass(0).step(1).levels().gamma().value(), 2);
}

TEST(ShortForms, SizeAndFaultsAreBounded) {
  EXPECT_FALSE(ExpandShortForms(std::string(kMaxStackText + 1, ' '), Stack::descriptor()).ok());
  std::string text = "pass { step { grade { ";
  for (int i = 0; i < 1000; ++i) text += "gain: [1] ";
  const auto e = ExpandShortForms(text + "} } }", Stack::descriptor());
  EXPECT_EQ(e->faults.size(), 50u);
}

TEST(StackJson, ShortFormsAreTheSameStack) {
  const auto stack = StackFromJson(R"({"name": "s", "frames": {"first": 1001, "last": 1002},
    "pass": [{"name": "p", "step": [{"levels": {"gamma": 1.2, "white": {"at": [{"frame": 1, "value": 2}]}}},
                                    {"grade": {"gain": [1, 2, 3], "lift": 0.5, "offset": "#ff800a"}},
                                    {"colorDifference": {"largerWeight": 0.25}}]}]})");
  ASSERT_TRUE(stack.ok()) << stack.status();
  Stack full;
  ASSERT_TRUE(TextFormat::ParseFromString(R"(name: "s" frames { first: 1001 last: 1002 }
    pass { name: "p" step { levels { gamma { value: 1.2 } white { at { frame: 1 value: 2 } } } }
           step { grade { gain { r: 1 g: 2 b: 3 } lift { r: 0.5 g: 0.5 b: 0.5 } offset { r: 1 g: 0.215861 b: 0.00303527 } } }
           step { color_difference { larger_weight { value: 0.25 } } } })",
                                          &full));
  EXPECT_TRUE(MessageDifferencer::Equals(*stack, full)) << stack->ShortDebugString();
}

TEST(StackJson, FaultsSayWhere) {
  const auto refusal = [](const std::string& text) { return std::string(StackFromJson(text).status().message()); };
  EXPECT_THAT(refusal(R"({"pass": [{}, {"step": [{"grade": {"gain": [1, 2]}}]}]})"),
              HasSubstr("pass[1].step[0].grade.gain: takes three numbers"));
  EXPECT_THAT(refusal(R"({"pass": [{"step": [{"grade": {"gain": "red"}}]}]})"), HasSubstr("\"red\" is no colour"));
  EXPECT_THAT(refusal(R"({"pass": [{"stop": []}]})"), HasSubstr("stop"));
  for (const char* bad : {"", "[]", "1", "{\"name\": }", "{\"frames\": {\"first\": \"x\"}}"}) {
    EXPECT_THAT(refusal(bad), HasSubstr("not a stack in JSON")) << bad;
  }
  EXPECT_FALSE(StackFromJson(std::string(kMaxStackText + 1, ' ')).ok());
  std::string deep = "{\"pass\":";
  for (int i = 0; i < 100'000; ++i) deep += "[";
  EXPECT_FALSE(StackFromJson(deep).ok());
}

}  // namespace
}  // namespace selvage
