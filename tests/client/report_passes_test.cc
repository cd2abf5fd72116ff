#include "client/report/report_passes.h"

#include <gmock/gmock.h>
#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

Stack Parse(const std::string& text) {
  Stack stack;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(R"(
plate { name: "plate" } plate { name: "bg" } mask { name: "shape" }
pass { name: "core" from: "plate" step { color_difference {} } }
pass { name: "matte" from: "core" step { soften {} } }
pass { name: "front" from: "plate" step { despill {} } step { attach_matte { matte: "matte" } } step { premultiply {} } }
pass { name: "over" from: "front" step { composite { with: "bg" } } }
pass { name: "unused" from: "plate" step { attach_matte { matte: "core" } } }
)" + text,
                                                            &stack));
  return stack;
}

TEST(PassesToReport, TheForegroundAndTheMattesThatItHasNotIn) {
  EXPECT_THAT(PassesToReport(Parse("deliver { name: 'c' from: 'over' layer { name: 'core' from: 'core' } }")),
              ElementsAre("front", "core"));
  EXPECT_THAT(PassesToReport(Parse("deliver { name: 'c' from: 'over' } deliver { name: 'm' from: 'matte' }")),
              ElementsAre("front"));
  EXPECT_THAT(PassesToReport(Parse("deliver { name: 'm' from: 'matte' layer { name: 's' from: 'shape' } }")),
              ElementsAre("matte", "shape"));
}

TEST(PassesToReport, AForegroundMergedAtOnceByItsMatte) {
  EXPECT_THAT(PassesToReport(Parse(R"(
pass { name: "all" from: "plate" step { attach_matte { matte: "matte" } } step { premultiply {} } step { composite { with: "bg" } } }
deliver { name: "c" from: "all" } deliver { name: "m" from: "matte" })")),
              ElementsAre("matte"));
}

TEST(PassesToReport, RecoveredColourIsAForeground) {
  EXPECT_THAT(PassesToReport(Parse(R"(
pass { name: "own" from: "plate" step { recover_color { clean_plate: "plate" matte: "matte" } } step { premultiply {} } }
pass { name: "comp" from: "own" step { composite { with: "bg" } } }
deliver { name: "c" from: "comp" })")),
              ElementsAre("own"));
}

TEST(PassesToReport, ASolidWithAMatteIsNoForeground) {
  EXPECT_THAT(PassesToReport(Parse(R"(
pass { name: "shadow" step { flood {} } step { attach_matte { matte: "core" } } step { premultiply {} } }
pass { name: "both" from: "front" step { composite { with: "shadow" } } }
deliver { name: "c" from: "both" })")),
              ElementsAre("front"));
}

TEST(PassesToReport, ElseWhatHasAnAlpha) {
  EXPECT_THAT(PassesToReport(Parse(R"(
pass { name: "cut" from: "plate" step { within { mask: "shape" } } }
deliver { name: "c" from: "cut" } deliver { name: "p" from: "plate" })")),
              ElementsAre("cut"));
  EXPECT_THAT(PassesToReport(Parse("deliver { name: 'p' from: 'plate' }")), IsEmpty());
  EXPECT_THAT(PassesToReport(
                  Parse("pass { name: 'x' from: 'y' } pass { name: 'y' from: 'x' } deliver { name: 'p' from: 'x' }")),
              ElementsAre("x"))
      << "a circle is the daemon's to refuse";
}

TEST(ScreenToReport, IsThatOfTheFirstDespill) {
  EXPECT_EQ(ScreenToReport(Stack()), Screen::GREEN);
  EXPECT_EQ(ScreenToReport(Parse("")), Screen::GREEN);
  const auto of = [](const std::string& despill) {
    Stack stack;
    EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString("pass { step { despill { " + despill + " } } }", &stack));
    return ScreenToReport(stack);
  };
  EXPECT_EQ(of("screen { hue: BLUE }"), Screen::BLUE);
  EXPECT_EQ(of("screen { color { r: 0.1 g: 0.2 b: 0.7 } }"), Screen::BLUE);
  EXPECT_EQ(of("screen { color { r: 0.1 g: 0.8 b: 0.7 } }"), Screen::GREEN);
}

}  // namespace
}  // namespace selvage::client
