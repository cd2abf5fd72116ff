#include "client/language/assign.h"

#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>

#include <ctime>

#include "client/clock.h"

namespace selvage::client {
namespace {

Stack Example() {
  Stack stack;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(R"(
name: "s" frames { first: 1001 last: 1010 }
plate { name: "plate" files: "p.%04d.exr" }
pass { name: "core" from: "plate" step { color_difference {} }
       step { levels { black { value: 0.1 } } } step { choke {} } step { levels { white { value: 0.9 } } } }
pass { name: "warm" from: "plate" step { grade { stops { at { frame: 1001 value: 0 } at { frame: 1010 value: 1 } } } } }
)",
                                                            &stack));
  return stack;
}

TEST(ParseTime, ClockDatesAndAges) {
  // 2026-11-25 15:30 wherever this runs.
  std::tm t{};
  t.tm_year = 126, t.tm_mon = 10, t.tm_mday = 25, t.tm_hour = 15, t.tm_min = 30, t.tm_isdst = -1;
  const int64_t now = int64_t{std::mktime(&t)} * 1000, minute = 60'000;
  EXPECT_EQ(ParseTime("14:02", now).value(), now - 88 * minute);
  EXPECT_EQ(ParseTime("15:30", now).value(), now);
  EXPECT_EQ(ParseTime("15:31", now).value(), now + minute - 24 * 60 * minute) << "still to come, so yesterday's";
  EXPECT_EQ(ParseTime("2026-11-25 08:30", now).value(), now - 7 * 60 * minute);
  EXPECT_EQ(ParseTime("90m", now).value(), now - 90 * minute);
  EXPECT_EQ(ParseTime("2h", now).value(), now - 120 * minute);
  EXPECT_EQ(ParseTime("3d", now).value(), now - 3 * 24 * 60 * minute);
  for (const char* bad : {"", "14", "14:2:1", "25:00", "14:61", "2h ", "-2h", "2026-13-01 10:00", "yesterday", "5x"}) {
    EXPECT_FALSE(ParseTime(bad, now).ok()) << bad;
  }
}

TEST(Assign, NumberOfTheFirstStepWithThatOperator) {
  Stack s = Example();
  ASSERT_TRUE(Assign("core.levels.black=0.25", &s).ok());
  EXPECT_EQ(s.pass(0).step(1).levels().black().value(), 0.25);
  EXPECT_EQ(s.pass(0).step(3).levels().white().value(), 0.9);
}

TEST(Assign, BracketsCountStepsWithThatOperator) {
  Stack s = Example();
  ASSERT_TRUE(Assign("core.levels[2].white=0.8", &s).ok());
  EXPECT_EQ(s.pass(0).step(3).levels().white().value(), 0.8);
}

TEST(Assign, AtSignMovesOrMakesOneKeyFrameInOrder) {
  Stack s = Example();
  ASSERT_TRUE(Assign("warm.grade.stops@1010=0.5", &s).ok());
  ASSERT_TRUE(Assign("warm.grade.stops@1005=0.2", &s).ok());
  const Number& stops = s.pass(1).step(0).grade().stops();
  ASSERT_EQ(stops.at_size(), 3);
  EXPECT_EQ(stops.at(1).frame(), 1005);
  EXPECT_EQ(stops.at(1).value(), 0.2);
  EXPECT_EQ(stops.at(2).value(), 0.5);
}

TEST(Assign, PlainValueReplacesKeyFrames) {
  Stack s = Example();
  ASSERT_TRUE(Assign("warm.grade.stops=2", &s).ok());
  EXPECT_EQ(s.pass(1).step(0).grade().stops().at_size(), 0);
  EXPECT_EQ(s.pass(1).step(0).grade().stops().value(), 2);
}

TEST(Assign, ColoursEnumsTextAndRanges) {
  Stack s = Example();
  ASSERT_TRUE(Assign("warm.grade.gain=1.1,1,0.9", &s).ok());
  EXPECT_EQ(s.pass(1).step(0).grade().gain().b(), 0.9);
  ASSERT_TRUE(Assign("core.choke.shape=SQUARE", &s).ok());
  EXPECT_EQ(s.pass(0).step(2).choke().shape(), Choke::SQUARE);
  ASSERT_TRUE(Assign("warm.from=core", &s).ok());
  EXPECT_EQ(s.pass(1).from(), "core");
  ASSERT_TRUE(Assign("frames.last=1005", &s).ok());
  EXPECT_EQ(s.frames().last(), 1005);
  ASSERT_TRUE(Assign("core.color_difference.screen.hue=BLUE", &s).ok());
  EXPECT_EQ(s.pass(0).step(0).color_difference().screen().hue(), Screen::BLUE);
}

TEST(Assign, SaysWhichPartWasNotFoundAndWhatIsThere) {
  const std::pair<const char*, const char*> kCases[] = {
      {"core.levels.black", "PATH=VALUE"},
      {"hair.levels.black=1", "no pass, plate, mask or deliverable \"hair\""},
      {"core.soften.sigma=1", "its steps are color_difference, levels, choke, levels"},
      {"core.levels[3].black=1", "no step levels[3]"},
      {"core.levels.blak=1", "there are black, white, gamma"},
      {"core.levels.blak=1", "did you mean \"black\"?"},
      {"coer.levels.black=1", "did you mean \"core\"?"},
      {"core.levels.black=dark", "\"dark\" is not a number"},
      {"core.levels.black=nan", "not a number"},
      {"core.choke.shape=ROUND", "allowed: DISC, SQUARE"},
      {"core.levels.invert@1002=true", "the same for the whole shot; leave @1002 out"},
      {"core.levels.black@now=1", "frame number"},
      {"core.step=1", "is a list"},
      {"warm.grade.gain=1,2", "three with commas"},
      {"core.levels[x].black=1", "number from 1"},
      {"core.levels=1", "name a field"},
  };
  for (const auto& [assignment, part] : kCases) {
    Stack s = Example();
    const absl::Status status = Assign(assignment, &s);
    EXPECT_FALSE(status.ok()) << assignment;
    EXPECT_NE(std::string(status.message()).find(part), std::string::npos) << assignment << ": " << status.message();
  }
}

// @FRAME on a number that is the same for the whole shot would change all of it.
TEST(Assign, AFrameNeedsKeyFramesAndLiesInTheShot) {
  Stack s = Example();
  const Stack before = s;
  const auto says = [&](const char* assignment) { return std::string(Assign(assignment, &s).message()); };
  EXPECT_NE(says("core.levels.black@1002=0.6").find("has no key frames, so it is the same for the whole shot"),
            std::string::npos);
  EXPECT_NE(says("core.levels.gamma@1002=0.6").find("gamma { at { frame: 1001 ... } at { frame: 1002 ... } }"),
            std::string::npos);
  EXPECT_NE(says("warm.grade.gain@1002=0.6").find("has no key frames"), std::string::npos);
  EXPECT_NE(says("warm.grade.stops@9999=0.5").find("frame 9999 is outside the stack's frames 1001-1010"),
            std::string::npos);
  EXPECT_EQ(s.pass(0).step(1).levels().black().value(), before.pass(0).step(1).levels().black().value());
  EXPECT_EQ(s.pass(1).step(0).grade().stops().at_size(), 2);
}

TEST(Assign, ValuesAreWrittenAsInAStack) {
  Stack s = Example();
  ASSERT_TRUE(Assign("plate.encoding=srgb", &s).ok());
  EXPECT_EQ(s.plate(0).encoding(), ENCODING_SRGB);
  ASSERT_TRUE(Assign("warm.grade.gain=#ffffff", &s).ok());
  EXPECT_EQ(s.pass(1).step(0).grade().gain().g(), 1);
  ASSERT_TRUE(Assign("plate.files=a\"b\\c.exr", &s).ok());
  EXPECT_EQ(s.plate(0).files(), "a\"b\\c.exr");
}

TEST(TimeOfDay, LeavesOutTodaysDate) {
  std::tm t{};
  t.tm_year = 126, t.tm_mon = 10, t.tm_mday = 25, t.tm_hour = 15, t.tm_min = 30, t.tm_isdst = -1;
  const int64_t now = int64_t{std::mktime(&t)} * 1000, minute = 60'000;
  EXPECT_EQ(TimeOfDay(now - 88 * minute, now), "14:02");
  EXPECT_EQ(TimeOfDay(now - 16 * 60 * minute, now), "2026-11-24 23:30");
  EXPECT_EQ(TimeOfDay(0, now), "") << "not known";
}

}  // namespace
}  // namespace selvage::client
