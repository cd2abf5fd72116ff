#include "server/plan/resolve.h"

#include <bit>

#include "gmock/gmock.h"
#include "google/protobuf/util/message_differencer.h"
#include "proto/catalogue.h"
#include "tests/plan/stacks.h"

namespace selvage {
namespace {

template <class M>
M Parse(const std::string& text) {
  M m;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &m)) << text;
  return m;
}

std::string Resolved(const std::string& step, int frame) {
  std::string text;
  google::protobuf::TextFormat::Printer printer;
  printer.SetSingleLineMode(true);
  printer.PrintToString(ResolveStep(Parse<Step>(step), frame), &text);
  return text;
}

TEST(NumberAt, HoldsBeforeTheFirstAndAfterTheLastKeyFrame) {
  const auto n = Parse<Number>("at { frame: 10 value: 1 } at { frame: 20 value: 3 }");
  EXPECT_EQ(NumberAt(n, -5, 9), 1);
  EXPECT_EQ(NumberAt(n, 10, 9), 1);
  EXPECT_EQ(NumberAt(n, 20, 9), 3);
  EXPECT_EQ(NumberAt(n, 99, 9), 3);
}

TEST(NumberAt, EasesBetweenKeyFrames) {
  const std::string at = "at { frame: 10 value: 1 } at { frame: 20 value: 3 } ";
  EXPECT_DOUBLE_EQ(NumberAt(Parse<Number>(at), 15, 0), 2);
  EXPECT_DOUBLE_EQ(NumberAt(Parse<Number>(at), 12, 0), 1.4);
  // 3u^2 - 2u^3 at u = 0.2: 0.104.
  EXPECT_DOUBLE_EQ(NumberAt(Parse<Number>(at + "ease: SMOOTH"), 12, 0), 1.208);
  EXPECT_EQ(NumberAt(Parse<Number>(at + "ease: HOLD"), 19, 0), 1);
  EXPECT_EQ(NumberAt(Parse<Number>(at + "ease: HOLD"), 20, 0), 3);
}

TEST(NumberAt, EqualKeyFramesGiveExactlyTheirValueBetweenThem) {
  const auto n = Parse<Number>("at { frame: 1 value: 0.1 } at { frame: 8 value: 0.1 } ease: SMOOTH");
  for (int f = 0; f < 10; ++f) EXPECT_EQ(NumberAt(n, f, 0), 0.1);
}

TEST(NumberAt, KeyFramesFarApartDoNotOverflow) {
  const auto n = Parse<Number>("at { frame: -2147483648 value: 0 } at { frame: 2147483647 value: 1 }");
  EXPECT_NEAR(NumberAt(n, 0, 0), 0.5, 1e-9);
}

TEST(ResolveStep, DefaultsAreFilledIn) {
  EXPECT_EQ(Resolved("choke {}", 1), "choke { pixels { value: 0 } } ");
  EXPECT_EQ(Resolved("levels { black { value: 0.25 } }", 1),
            "levels { black { value: 0.25 } white { value: 1 } gamma { value: 1 } } ");
  EXPECT_EQ(Resolved("soften { sigma {} }", 1), "soften { sigma { value: 1 } } ");
  EXPECT_EQ(Resolved("degrain {}", 1), "degrain { window: 1 strength { r: 1 g: 1 b: 1 } } ");
}

TEST(ResolveStep, DefaultsAreFilledInInMessagesThatWereLeftOut) {
  const std::string all = "color_difference { screen { hue: GREEN } balance { value: 1 } gain { value: 1 } } ";
  EXPECT_EQ(Resolved("color_difference {}", 1), all);
  EXPECT_EQ(Resolved("color_difference { screen {} }", 1), all);
  EXPECT_EQ(Resolved("color_difference { screen { hue: GREEN } gain {} }", 1), all);
}

TEST(ResolveStep, AColorKeepsTheComponentsGiven) {
  EXPECT_THAT(Resolved("grade { gain { g: 2 } }", 1), testing::HasSubstr("gain { r: 1 g: 2 b: 1 }"));
}

TEST(ResolveStep, ColorsMoveComponentByComponent) {
  const std::string step =
      "grade { offset { at { frame: 0 r: 0 g: 1 b: 2 } at { frame: 4 r: 4 g: 1 b: 0 } ease: LINEAR } }";
  EXPECT_THAT(Resolved(step, 1), testing::HasSubstr("offset { r: 1 g: 1 b: 1.5 }"));
  EXPECT_THAT(Resolved(step, 7), testing::HasSubstr("offset { r: 4 g: 1 b: 0 }"));
}

// What the recipe leaves out must not reach a pixel by way of the parameters.
TEST(ResolveStep, NamesBecomePortsAndBoxesBecomeEmpty) {
  EXPECT_EQ(Resolved("within { mask: \"boots\" }", 1), "within { mask: \"mask\" } ");
  EXPECT_THAT(Resolved("color_difference { screen { plate: \"clean\" } }", 1),
              testing::HasSubstr("screen { plate: \"screen.plate\" }"));
  EXPECT_THAT(Resolved("degrain { sample { x: 4 width: 9 height: 9 frame: 7 } }", 1), testing::HasSubstr("sample { }"));
  EXPECT_THAT(Resolved("deliver_file { layer { name: \"core\" from: \"core\" } }", 1),
              testing::HasSubstr("layer { name: \"core\" from: \"layer[0].from\" }"));
}

TEST(ResolveStep, MinusZeroBecomesZero) {
  const Step s = ResolveStep(Parse<Step>("curve { point { x: -0.0 y: 1 } point { x: 1 y: -0.0 } }"), 1);
  EXPECT_EQ(std::bit_cast<uint64_t>(s.curve().point(0).x()), 0u);
  EXPECT_EQ(std::bit_cast<uint64_t>(s.curve().point(1).y()), 0u);
  EXPECT_EQ(std::bit_cast<uint64_t>(ResolveStep(Parse<Step>("choke { pixels { value: -0.0 } }"), 1).choke().pixels().value()), 0u);
}

// Every operator there is: resolving what is resolved changes nothing, and
// nothing is left to move.
TEST(ResolveStep, IsIdempotentForEveryOperator) {
  for (const Operator& o : Operators()) {
    Step step;
    step.GetReflection()->MutableMessage(&step, o.field);
    const Step once = ResolveStep(step, 5);
    EXPECT_TRUE(google::protobuf::util::MessageDifferencer::Equals(once, ResolveStep(once, 99))) << o.name;
    EXPECT_FALSE(IsAnimated(once)) << o.name;
  }
}

TEST(StepResolver, EqualValuesShareOneStep) {
  StepResolver still({Parse<Step>("choke { pixels { value: 2 } }")});
  EXPECT_EQ(still.At(1).steps, still.At(2).steps);
  StepResolver moving({Parse<Step>("choke { pixels { at { frame: 10 value: 1 } at { frame: 20 value: 2 } } }")});
  EXPECT_EQ(moving.At(1).steps, moving.At(10).steps);
  EXPECT_NE(moving.At(10).digest, moving.At(11).digest);
  EXPECT_EQ(moving.At(20).steps, moving.At(30).steps);
  EXPECT_EQ(moving.At(1).digest, StepResolver({Parse<Step>("choke { pixels { value: 1 } }")}).At(7).digest);
}

constexpr char kMovingMask[] = R"(
  name: "m" invert: true
  shape { at { frame: 10 path: "M0 0H10V10Z" } at { frame: 20 path: "M0 0H20V10Z" } ease: SMOOTH
          feather { at { frame: 10 value: 0 } at { frame: 20 value: 10 } } subtract: true rule: EVENODD }
  shape { path: "M1 1H2V2Z" opacity { value: 0.5 } })";

TEST(MaskResolver, PointsMoveBetweenKeyFrames) {
  const Mask mask = Parse<Mask>(kMovingMask);
  MaskResolver resolver(mask);
  const ResolvedMask m = *resolver.At(15).mask;
  EXPECT_TRUE(m.invert());
  ASSERT_EQ(m.shape_size(), 2);
  EXPECT_EQ(m.shape(0).feather(), 5);
  EXPECT_EQ(m.shape(0).opacity(), 1);
  EXPECT_TRUE(m.shape(0).subtract());
  EXPECT_EQ(m.shape(0).rule(), Mask::EVENODD);
  ASSERT_EQ(m.shape(0).path_size(), 1);
  // Start, two lines: 2 + 6 * 2. SMOOTH is halfway at half time.
  ASSERT_EQ(m.shape(0).path(0).xy_size(), 14);
  EXPECT_EQ(m.shape(0).path(0).xy(6), 15);
  EXPECT_EQ(m.shape(1).opacity(), 0.5);
}

TEST(MaskResolver, FramesWithoutMovementShareOneMask) {
  const Mask mask = Parse<Mask>(kMovingMask);
  MaskResolver resolver(mask);
  EXPECT_EQ(resolver.At(1).mask, resolver.At(10).mask);
  EXPECT_EQ(resolver.At(20).mask, resolver.At(1000).mask);
  EXPECT_NE(resolver.At(10).digest, resolver.At(11).digest);
}

}  // namespace
}  // namespace selvage
