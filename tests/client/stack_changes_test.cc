#include "client/language/stack_changes.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client/language/stack_file.h"

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

constexpr char kStack[] = R"(
name: "s"
frames { first: 1 last: 9 }
plate { name: "plate" files: "p.%04d.exr" }
mask { name: "boots" shape { at { frame: 1 path: "M 0 0 L 9 0 L 9 9 Z" } at { frame: 5 path: "M 1 0 L 9 0 L 9 9 Z" } } }
pass {
  name: "core" from: "plate" note: "first"
  step { color_difference { screen { hue: GREEN } } }
  step { levels { black: 0.1 white: 0.8 } }
  step { levels { white: 0.9 } }
  step { choke { pixels: 2 } }
}
pass { name: "matte" from: "core" step { within { mask: "boots" } } }
deliver { name: "matte" from: "matte" files: "out.%04d.exr" }
)";

Stack With(std::initializer_list<std::pair<const char*, const char*>> edits) {
  std::string text = kStack;
  for (const auto& [from, to] : edits) {
    const size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << from;
    text.replace(at, std::string(from).size(), to);
  }
  const auto file = StackFile::Parse("/shots/s.stack", text);
  EXPECT_TRUE(file.ok()) << file.status();
  return file->stack();
}

std::vector<std::string> Lines(const Stack& before, const Stack& now) {
  std::vector<std::string> lines;
  for (const StackChange& c : ChangesOf(before, now)) lines.push_back(c.where + "|" + c.text);
  return lines;
}

TEST(StackChanges, ASettingIsCalledAsItsAuthorKnowsIt) {
  EXPECT_THAT(Lines(With({}), With({{"white: 0.8", "white: 0.75"}, {"pixels: 2", "pixels: 2.5"}})),
              ElementsAre("pass core|levels[1].white 0.8 -> 0.75", "pass core|choke.pixels 2 -> 2.5"));
  EXPECT_THAT(Lines(With({}), With({{"black: 0.1 ", ""}})), ElementsAre("pass core|levels[1].black 0.1 -> not set"));
  EXPECT_THAT(Lines(With({}), With({{"white: 0.9", "white { at { frame: 1 value: 0.9 } at { frame: 4 value: 1 } }"}})),
              ElementsAre("pass core|levels[2].white 0.9 -> 0.9 at 1, 1 at 4"));
  EXPECT_THAT(Lines(With({}), With({{"hue: GREEN", "sample { x: 1 y: 2 width: 8 height: 8 }"}})),
              ElementsAre("pass core|color_difference.screen hue GREEN -> sample"));
}

TEST(StackChanges, StepsThatCameAndWentAreNamed) {
  EXPECT_THAT(Lines(With({}), With({{"step { levels { black: 0.1 white: 0.8 } }", ""}})),
              ElementsAre("pass core|levels[1] was removed"))
      << "of two alike, the one that stayed as it was is held to be the same";
  EXPECT_THAT(Lines(With({}), With({{"step { choke { pixels: 2 } }", "step { soften { sigma: 2 } }"}})),
              ElementsAre("pass core|choke was removed", "pass core|soften was added"));
}

TEST(StackChanges, ThingsThatCameAndWentAreNamed) {
  EXPECT_THAT(Lines(With({}), With({{"name: \"matte\" from: \"core\"", "name: \"edge\" from: \"core\""},
                                    {"from: \"matte\" files", "from: \"edge\" files"}})),
              ElementsAre("pass edge|is new", "deliver matte|from \"matte\" -> \"edge\"", "pass matte|was removed"));
  EXPECT_THAT(Lines(With({}), With({{"last: 9", "last: 12"}})), ElementsAre("|frames.last 9 -> 12"));
}

TEST(StackChanges, ShapesAreSaidByFrame) {
  EXPECT_THAT(Lines(With({}), With({{"M 1 0", "M 2 0"}})), ElementsAre("mask boots|shape was redrawn at 5"));
  EXPECT_THAT(Lines(With({}), With({{"frame: 5", "frame: 6"}})),
              ElementsAre("mask boots|shape is now drawn at 6", "mask boots|shape is no longer drawn at 5"));
}

TEST(StackChanges, NotesAndOrderMeanNothing) {
  EXPECT_THAT(Lines(With({}), With({{"note: \"first\"", "note: \"second\""}})), IsEmpty());
  Stack turned = With({});
  turned.mutable_pass()->SwapElements(0, 1);
  EXPECT_THAT(Lines(With({}), turned), IsEmpty());
}

}  // namespace
}  // namespace selvage::client
