// Edits of a stack's text: what they change, and that they change nothing else.
#include "client/loom/stack_editor.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client/language/stack_file.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;

constexpr char kStack[] = R"(# the shot
name: "shot"   # as on the slate
frames { first: 1001 last: 1010 }
plate { name: "plate" files: "p.%04d.exr" }

mask {
  name: "boots"
  # drawn by hand
  shape { at { frame: 1001 path: "M 0 0 L 9 0 L 9 9 Z" } at { frame: 1009 path: "M 1 0 L 9 0 L 9 9 Z" } feather: 6 }
  shape { path: "M 2 2 L 3 2 L 3 3 Z" }
}
pass {
  name: "key"
  from: "plate"
  step { color_difference { screen { hue: GREEN } } }  # pure green
  # the floor of the wall
  step { levels { black: 0.10 white { value: 0.9 } } }
  step {
    grade {
      stops { at { frame: 1001 value: -0.1 } at { frame: 1005 value: 0.2 } ease: SMOOTH }
      gain: [1.03, 1, 0.97]   # a little warmer
    }
  }
}

# what is kept
pass { name: "core" from: "key" step { combine { with: "boots" rule: MAX } } step { within { mask: "boots" } } }
deliver { name: "core" from: "core" files: "o.%04d.exr" layer { name: "k" from: "key" } }
)";

JsonMembers Json(const std::string& text) {
  auto members = ReadJson(text);
  EXPECT_TRUE(members.ok()) << text << ": " << members.status();
  return members.ok() ? *members : JsonMembers();
}

// The text after one edit; the error's message behind "!" where it is refused.
std::string After(const std::string& edit, const std::string& text = kStack) {
  StackEditor editor(text);
  const absl::Status done = editor.Apply(Json(edit));
  if (done.ok()) return editor.text();
  EXPECT_EQ(editor.text(), text) << "a refused edit has changed the text";
  return "!" + std::string(done.message());
}

// What stands now in place of `was`, where nothing else has changed.
std::string Instead(const std::string& after, const std::string& was, const std::string& text = kStack) {
  const size_t at = text.find(was);
  EXPECT_NE(at, std::string::npos) << was;
  const std::string head = text.substr(0, at), tail = text.substr(at + was.size());
  if (after.size() < head.size() + tail.size() || after.substr(0, head.size()) != head ||
      after.substr(after.size() - tail.size()) != tail) {
    return "changed elsewhere:\n" + after;
  }
  return after.substr(head.size(), after.size() - head.size() - tail.size());
}

TEST(StackEditor, TheTextOfTheseTestsIsRight) {
  const auto file = StackFile::Parse("t.stack", kStack);
  EXPECT_TRUE(file.ok()) << file.status();
}

TEST(StackEditor, ChangesOnlyTheCharactersOfAValue) {
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[0].step[1].levels.black","value":0.25})"), "0.10"), "0.25");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[0].step[1].levels.white","value":0.95})"), "0.9 }"), "0.95 }");
  EXPECT_EQ(
      Instead(After(R"({"kind":"set","path":"pass[0].step[2].grade.gain","value":[1,0.5,1]})"), "[1.03, 1, 0.97]"),
      "[1, 0.5, 1]");
  EXPECT_EQ(
      Instead(After(R"({"kind":"set","path":"pass[0].step[2].grade.gain","value":"#00b140"})"), "[1.03, 1, 0.97]"),
      "\"#00b140\"");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[1].step[0].combine.rule","value":"min"})"), "MAX"), "MIN");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[1].from","value":"a \"b\" \\ c"})"), "\"key\" step"),
            R"("a \"b\" \\ c" step)");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"frames.last","value":1020})"), "1010"), "1020");
}

TEST(StackEditor, AColourOfAWebPageIsNoComment) {
  const std::string text = "pass { name: \"f\" step { flood { color: #00b140 } } }";
  EXPECT_EQ(After(R"({"kind":"set","path":"pass[0].step[0].flood.color","value":[1,0,0]})", text),
            "pass { name: \"f\" step { flood { color: [1, 0, 0] } } }");
}

TEST(StackEditor, WritesAFieldThatIsNotThereWhereItBelongs) {
  EXPECT_EQ(
      Instead(After(R"({"kind":"set","path":"pass[0].step[1].levels.gamma","value":1.2})"), "white { value: 0.9 } }"),
      "white { value: 0.9 } gamma: 1.2 }");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[0].keep","value":"ALWAYS"})"), "    }\n  }\n}"),
            "    }\n  }\n  keep: ALWAYS\n}");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[0].step[2].grade.gamma","value":1.1})"), "# a little warmer\n"),
            "# a little warmer\n      gamma: [1.1, 1.1, 1.1]\n");
  // With the blocks around it.
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"mask[0].track.x","value":4})"), "L 3 3 Z\" }\n"),
            "L 3 3 Z\" }\n  track { x: 4 }\n");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"format.width","value":640})"), "last: 1010 }\n"),
            "last: 1010 }\nformat { width: 640 }\n");
}

TEST(StackEditor, OneOfAChoiceTakesThePlaceOfTheOther) {
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[0].step[0].color_difference.screen.sample",)"
                          R"("value":{"width":8,"x":1,"y":2,"height":9}})"),
                    "hue: GREEN"),
            "sample { x: 1 y: 2 width: 8 height: 9 }");
  EXPECT_EQ(Instead(After(R"({"kind":"set","path":"pass[0].step[0].color_difference.screen.sample.x","value":3})"),
                    "hue: GREEN"),
            "sample { x: 3 }");
}

TEST(StackEditor, KeyFramesStandInOrder) {
  const std::string stops = R"("path":"pass[0].step[2].grade.stops")";
  const std::string keys = "at { frame: 1001 value: -0.1 } at { frame: 1005 value: 0.2 }";
  const auto set = [&](const std::string& more) { return Instead(After("{" + stops + "," + more + "}"), keys); };
  EXPECT_EQ(set(R"("kind":"set","frame":1005,"value":0.5)"),
            "at { frame: 1001 value: -0.1 } at { frame: 1005 value: 0.5 }");
  EXPECT_EQ(set(R"("kind":"set","frame":1003,"value":0)"),
            "at { frame: 1001 value: -0.1 } at { frame: 1003 value: 0 } at { frame: 1005 value: 0.2 }");
  EXPECT_EQ(set(R"("kind":"set","frame":1008,"value":1)"),
            "at { frame: 1001 value: -0.1 } at { frame: 1005 value: 0.2 } at { frame: 1008 value: 1 }");
  EXPECT_EQ(set(R"("kind":"unkey","frame":1001)"), "at { frame: 1005 value: 0.2 }");
  EXPECT_THAT(After("{" + stops + R"(,"kind":"set","value":1})"), HasSubstr("has key frames"));
  EXPECT_EQ(Instead(After("{" + stops + R"(,"kind":"set","value":1,"flatten":true})"), "{ " + keys + " ease: SMOOTH }"),
            "{ value: 1 }");
}

TEST(StackEditor, AValueBecomesAKeyFrameAndBack) {
  EXPECT_EQ(Instead(After(R"({"kind":"key","path":"pass[0].step[1].levels.black","frame":1004})"), "black: 0.10"),
            "black { at { frame: 1004 value: 0.10 } }");
  EXPECT_EQ(Instead(After(R"({"kind":"key","path":"pass[0].step[1].levels.white","frame":1004,"value":0.7})"),
                    "{ value: 0.9 }"),
            "{ at { frame: 1004 value: 0.7 } }");
  EXPECT_EQ(Instead(After(R"({"kind":"key","path":"pass[0].step[1].levels.gamma","frame":1004,"value":2})"),
                    "{ value: 0.9 }"),
            "{ value: 0.9 } gamma { at { frame: 1004 value: 2 } }");
  EXPECT_THAT(After(R"({"kind":"set","path":"pass[0].step[1].levels.black","frame":1004,"value":1})"),
              HasSubstr("no key frames"));
  const std::string keyed = After(R"({"kind":"key","path":"pass[0].step[2].grade.gain","frame":1002,"value":[1,2,3]})");
  EXPECT_THAT(keyed, HasSubstr("gain { at { frame: 1002 r: 1 g: 2 b: 3 } }   # a little warmer"));
  EXPECT_THAT(After(R"({"kind":"unkey","path":"pass[0].step[2].grade.gain","frame":1002})", keyed),
              HasSubstr("gain { r: 1 g: 2 b: 3 }   # a little warmer"));
}

TEST(StackEditor, TakesFieldsAndEntriesAway) {
  EXPECT_EQ(Instead(After(R"({"kind":"reset","path":"pass[0].step[1].levels.black"})"), " black: 0.10"), "");
  EXPECT_EQ(Instead(After(R"({"kind":"reset","path":"pass[0].step[1]"})"),
                    "  step { levels { black: 0.10 white { value: 0.9 } } }\n"),
            "");
  EXPECT_EQ(Instead(After(R"({"kind":"reset","path":"pass[0].step[0]"})"),
                    "step { color_difference { screen { hue: GREEN } } }  "),
            "");
  // What is not set has its default already.
  EXPECT_EQ(After(R"({"kind":"reset","path":"pass[0].step[1].levels.gamma"})"), kStack);
  EXPECT_THAT(After(R"({"kind":"reset","path":"pass[7]"})"), HasSubstr("there is no pass[7]"));
}

TEST(StackEditor, PutsEntriesIntoLists) {
  EXPECT_EQ(Instead(After(R"({"kind":"insert","path":"pass[0].step","at":1,"value":{"choke":{"pixels":2}}})"),
                    "  # the floor of the wall\n"),
            "  step { choke { pixels: 2 } }\n  # the floor of the wall\n");
  EXPECT_EQ(Instead(After(R"({"kind":"insert","path":"pass[1].step","value":{"choke":{}}})"),
                    "step { within { mask: \"boots\" } }"),
            "step { within { mask: \"boots\" } } step { choke {} }");
  // Passes that an empty line sets apart stay so; the comment goes with what it is about.
  EXPECT_EQ(Instead(After(R"({"kind":"insert","path":"pass","value":{"from":"plate","name":"new"}})"),
                    "mask: \"boots\" } } }\n"),
            "mask: \"boots\" } } }\npass { name: \"new\" from: \"plate\" }\n");
  EXPECT_EQ(Instead(After(R"({"kind":"insert","path":"mask[0].shape","value":{"path":"M 0 0 L 1 0 L 1 1 Z"}})"),
                    "L 3 3 Z\" }\n"),
            "L 3 3 Z\" }\n  shape { path: \"M 0 0 L 1 0 L 1 1 Z\" }\n");
  EXPECT_EQ(After(R"({"kind":"insert","path":"mask","value":{"name":"m"}})", "name: \"x\"\n"),
            "name: \"x\"\nmask { name: \"m\" }\n");
  EXPECT_EQ(After(R"({"kind":"insert","path":"pass","value":{"name":"m"}})", ""), "pass { name: \"m\" }\n");
  EXPECT_EQ(After(R"({"kind":"insert","path":"pass[0].step","value":{"choke":{}}})", "pass {}"),
            "pass { step { choke {} } }");
}

TEST(StackEditor, LongEntriesLieOnSeveralLines) {
  const std::string after = After(R"({"kind":"insert","path":"pass","value":{"name":"long","from":"plate","step":[
            {"color_difference":{"screen":{"sample":{"x":100,"y":100,"width":100,"height":100}}}},
            {"levels":{"black":0.1,"white":0.9}}]}})");
  EXPECT_THAT(
      after,
      HasSubstr("pass {\n  name: \"long\"\n  from: \"plate\"\n  step { color_difference { screen { sample "
                "{ x: 100 y: 100 width: 100 height: 100 } } } }\n  step { levels { black: 0.1 white: 0.9 } }\n}\n"));
}

TEST(StackEditor, RenamesEverywhereAndNothingElse) {
  EXPECT_EQ(After(R"({"kind":"rename","path":"mask[0]","name":"feet"})"), [] {
    std::string text = kStack;
    for (size_t at; (at = text.find("\"boots\"")) != std::string::npos;) text.replace(at, 7, "\"feet\"");
    return text;
  }());
  // The deliverable "core" is no pass; the layer "k" is called so.
  const std::string after = After(R"({"kind":"rename","path":"pass[1]","name":"solid"})");
  EXPECT_THAT(after, HasSubstr("deliver { name: \"core\" from: \"solid\""));
  EXPECT_THAT(After(R"({"kind":"rename","path":"pass[0]","name":"hair"})"),
              HasSubstr("layer { name: \"k\" from: \"hair\" }"));
  EXPECT_THAT(After(R"({"kind":"rename","path":"pass[0]","name":"boots"})"),
              HasSubstr("there is a mask \"boots\" already"));
}

TEST(StackEditor, CopiesAndMoves) {
  EXPECT_EQ(Instead(After(R"({"kind":"duplicate","path":"pass[0].step[1]"})"), "white { value: 0.9 } } }\n"),
            "white { value: 0.9 } } }\n  step { levels { black: 0.10 white { value: 0.9 } } }\n");
  EXPECT_THAT(After(R"({"kind":"duplicate","path":"mask[0]","name":"two"})"),
              HasSubstr("mask {\n  name: \"two\"\n  # drawn by hand\n"));
  EXPECT_EQ(Instead(After(R"({"kind":"move","path":"pass[1].step[1]","to":0})"),
                    "step { combine { with: \"boots\" rule: MAX } } step { within { mask: \"boots\" } }"),
            "step { within { mask: \"boots\" } } step { combine { with: \"boots\" rule: MAX } }");
  EXPECT_THAT(After(R"({"kind":"move","path":"pass[1].step[1]","to":2})"), HasSubstr("none can become number 2"));
}

TEST(StackEditor, MutesStepsAndTakesThemInAgain) {
  const auto muted_and_back = [](const std::string& path, const std::string& text) {
    const std::string muted = After("{\"kind\":\"mute\",\"muted\":true,\"path\":\"" + path + "\"}", text);
    EXPECT_TRUE(StackFile::Parse("t", muted).ok()) << muted;
    const size_t at = muted.find("#muted ");
    return std::pair(muted, After("{\"kind\":\"mute\",\"muted\":false,\"offset\":" + std::to_string(at) + "}", muted));
  };
  {
    const auto [muted, back] = muted_and_back("pass[0].step[2]", kStack);
    EXPECT_EQ(StackFile::Parse("t", muted)->stack().pass(0).step_size(), 2);
    EXPECT_THAT(muted, HasSubstr("\n  #muted step {\n  #muted+     grade {\n"));
    EXPECT_EQ(back, kStack);
  }
  {
    const auto [muted, back] = muted_and_back("pass[0].step[0]", kStack);
    EXPECT_THAT(muted, HasSubstr("\n  #muted step { color_difference { screen { hue: GREEN } } }\n  # pure green\n"));
    EXPECT_EQ(StackFile::Parse("t", back)->stack().pass(0).step_size(), 3);
  }
  {
    const auto [muted, back] = muted_and_back("pass[1].step[0]", kStack);
    EXPECT_EQ(Instead(muted, " step { combine { with: \"boots\" rule: MAX } } "),
              "\n  #muted step { combine { with: \"boots\" rule: MAX } }\n  ");
    EXPECT_EQ(StackFile::Parse("t", back)->stack().pass(1).step_size(), 2);
  }
  EXPECT_THAT(After(R"({"kind":"mute","muted":false,"offset":3})"), HasSubstr("no muted step"));
}

TEST(StackEditor, DrawsShapes) {
  const std::string square = R"("curves":[[0,0, 1,0,2,0,3,0, 3,1,3,2,3,3.004, 2,4,1,4,0,0]])";
  const std::string path = "\"M 0 0 L 3 0 L 3 3 C 2 4 1 4 0 0 Z\"";
  EXPECT_EQ(
      Instead(After("{\"kind\":\"shape\",\"path\":\"mask[0].shape[1]\"," + square + "}"), "\"M 2 2 L 3 2 L 3 3 Z\""),
      path);
  EXPECT_EQ(Instead(After("{\"kind\":\"shape\",\"frame\":1009,\"path\":\"mask[0].shape[0]\"," + square + "}"),
                    "\"M 1 0 L 9 0 L 9 9 Z\""),
            path);
  EXPECT_EQ(Instead(After("{\"kind\":\"shape\",\"frame\":1005,\"path\":\"mask[0].shape[0]\"," + square + "}"),
                    "at { frame: 1009"),
            "at { frame: 1005 path: " + path + " } at { frame: 1009");
  EXPECT_THAT(After("{\"kind\":\"shape\",\"path\":\"mask[0].shape[0]\"," + square + "}"), HasSubstr("which frame"));
  EXPECT_EQ(
      Instead(After("{\"kind\":\"shape\",\"frame\":1002,\"key\":true,\"path\":\"mask[0].shape[1]\"," + square + "}"),
              "path: \"M 2 2 L 3 2 L 3 3 Z\""),
      "at { frame: 1002 path: " + path + " }");
  EXPECT_THAT(After(R"({"kind":"shape","path":"mask[0].shape[1]","curves":[[0,0,1,1]]})"), HasSubstr("six numbers"));
  EXPECT_THAT(After(R"({"kind":"shape","path":"mask[0].shape[1]","curves":[[0,0,1,1,1,1,1,1e7]]})"),
              HasSubstr("pixels away"));
}

TEST(StackEditor, ReplacesCountingAsAPageDoes) {
  // One unit, one unit of two bytes, two units of four bytes.
  const std::string text = "# \xc3\xa4 \xf0\x9f\x90\x9d x\n";
  EXPECT_EQ(After(R"({"kind":"replace","offset":7,"length":1,"text":"y"})", text), "# \xc3\xa4 \xf0\x9f\x90\x9d y\n");
  EXPECT_EQ(After(R"({"kind":"replace","offset":4,"length":2,"text":"bee"})", text), "# \xc3\xa4 bee x\n");
  EXPECT_THAT(After(R"({"kind":"replace","offset":8,"length":9,"text":""})", text), HasSubstr("the text has 9 units"));
}

TEST(StackEditor, SaysWhatIsWrong) {
  EXPECT_THAT(After(R"({"kind":"set","path":"pass[0].step[1].levels.blck","value":1})"),
              HasSubstr("did you mean \"black\""));
  EXPECT_THAT(After(R"({"kind":"set","path":"pass[0].step[1].levels.black","value":"dark"})"), HasSubstr("a number"));
  EXPECT_THAT(After(R"({"kind":"set","path":"pass[1].step[0].combine.rule","value":"MOST"})"),
              HasSubstr("allowed: MAX"));
  EXPECT_THAT(After(R"({"kind":"set","path":"frames.last","value":1.5})"), HasSubstr("whole number"));
  EXPECT_THAT(After(R"({"kind":"set","path":"pass[9].from","value":"x"})"), HasSubstr("there is no pass[9]"));
  EXPECT_THAT(After(R"({"kind":"set","path":"pass.from","value":"x"})"), HasSubstr("is a list"));
  EXPECT_THAT(After(R"({"kind":"set","path":"..","value":"x"})"), HasSubstr("no path"));
  EXPECT_THAT(After(R"({"kind":"melt"})"), HasSubstr("no edit \"melt\""));
  EXPECT_THAT(After(R"({"kind":"reset","path":"mask[0].shape[0].at[0]"})",
                    R"(mask { name: "m" shape { at [{ frame: 1 }, { frame: 2 }] } })"),
              HasSubstr("stand in brackets"));
}

TEST(ReadJson, RefusesWhatIsNoObjectHoweverDeepOrDamaged) {
  EXPECT_TRUE(ReadJson("{\"a\": [1, {\"b\": null}]}").ok());
  for (const char* text : {"", "[]", "1", "{", "{\"a\":}", "{\"a\":1e999}", "\xff", "{\"a\":\"\xff\"}"}) {
    const auto members = ReadJson(text);
    EXPECT_FALSE(members.ok()) << text;
  }
  EXPECT_FALSE(ReadJson("{\"a\":" + std::string(1'000'000, '[')).ok());
}

// Whatever is set, read and set again: the text says the same as the message.
TEST(StackEditor, AnEditedTextIsReadAsItWasMeant) {
  StackEditor editor(kStack);
  ASSERT_TRUE(
      editor.Apply(Json(R"({"kind":"set","path":"pass[0].step[2].grade.gain","value":[0.1,0.123456789012345,3]})"))
          .ok());
  ASSERT_TRUE(editor.Apply(Json(R"({"kind":"insert","path":"pass[0].step","value":{"levels":{"black":-1e-7}}})")).ok());
  const auto file = StackFile::Parse("t.stack", editor.text());
  ASSERT_TRUE(file.ok()) << file.status();
  EXPECT_EQ(file->stack().pass(0).step(2).grade().gain().g(), 0.123456789012345);
  EXPECT_EQ(file->stack().pass(0).step(3).levels().black().value(), -1e-7);
}

}  // namespace
}  // namespace selvage::client
