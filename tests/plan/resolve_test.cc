#include "server/plan/resolve.h"

#include "server/plan/mask_resolver.h"

#include <bit>

#include "absl/strings/str_cat.h"
#include "gmock/gmock.h"
#include "google/protobuf/util/message_differencer.h"
#include "proto/catalogue.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
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
  const std::string all = "color_difference { screen { hue: GREEN } larger_weight { value: 1 } amount { value: 1 } } ";
  EXPECT_EQ(Resolved("color_difference {}", 1), all);
  EXPECT_EQ(Resolved("color_difference { screen {} }", 1), all);
  EXPECT_EQ(Resolved("color_difference { screen { hue: GREEN } amount {} }", 1), all);
}

// screen_plate looks for the hue itself then; it would find grey before a blue screen.
TEST(ResolveStep, AScreenThatMayBeUnsetStaysUnset) {
  EXPECT_EQ(Resolved("screen_plate {}", 1).find("screen {"), std::string::npos) << Resolved("screen_plate {}", 1);
  EXPECT_NE(Resolved("screen_plate { screen {} }", 1).find("hue: GREEN"), std::string::npos);
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
  EXPECT_THAT(Resolved("color_difference { screen { clean_plate: \"clean\" } }", 1),
              testing::HasSubstr("screen { clean_plate: \"screen.clean_plate\" }"));
  EXPECT_THAT(Resolved("degrain { sample { x: 4 width: 9 height: 9 frame: 7 } }", 1), testing::HasSubstr("sample { }"));
  EXPECT_THAT(Resolved("deliver_file { layer { name: \"core\" from: \"core\" } }", 1),
              testing::HasSubstr("layer { name: \"core\" from: \"layer[0].from\" }"));
}

TEST(ResolveStep, MinusZeroBecomesZero) {
  const Step s = ResolveStep(Parse<Step>("curve { point { x: -0.0 y: 1 } point { x: 1 y: -0.0 } }"), 1);
  EXPECT_EQ(std::bit_cast<uint64_t>(s.curve().point(0).x()), 0u);
  EXPECT_EQ(std::bit_cast<uint64_t>(s.curve().point(1).y()), 0u);
  EXPECT_EQ(
      std::bit_cast<uint64_t>(ResolveStep(Parse<Step>("choke { pixels { value: -0.0 } }"), 1).choke().pixels().value()),
      0u);
}

// Every operator there is: resolving what is resolved changes nothing, and
// nothing is left to move.
TEST(ResolveStep, IsIdempotentForEveryOperator) {
  for (const Operator& o : Operators()) {
    Step step;
    step.GetReflection()->MutableMessage(&step, o.field);
    const Step once = ResolveStep(step, 5);
    EXPECT_TRUE(google::protobuf::util::MessageDifferencer::Equals(once, ResolveStep(once, 99))) << o.name;
    EXPECT_FALSE(HasKeyFrames(once)) << o.name;
  }
}

TEST(StepResolver, EqualValuesHaveEqualDigests) {
  const StepResolver still({Parse<Step>("choke { pixels { value: 2 } }")});
  EXPECT_EQ(still.At(1), still.At(2)) << "the same object";
  const StepResolver moving({Parse<Step>("choke { pixels { at { frame: 10 value: 1 } at { frame: 20 value: 2 } } }")});
  EXPECT_EQ(moving.DigestAt(1), moving.DigestAt(10));
  EXPECT_NE(moving.DigestAt(10), moving.DigestAt(11));
  EXPECT_EQ(moving.DigestAt(20), moving.DigestAt(30));
  EXPECT_EQ(moving.DigestAt(1), StepResolver({Parse<Step>("choke { pixels { value: 1 } }")}).DigestAt(7));
  for (const int frame : {1, 13, 30}) EXPECT_EQ(moving.DigestAt(frame), DigestOf(*moving.At(frame))) << frame;
}

constexpr char kMovingMask[] = R"(
  name: "m" invert: true
  shape { at { frame: 10 path: "M0 0H10V10Z" } at { frame: 20 path: "M0 0H20V10Z" } ease: SMOOTH
          feather { at { frame: 10 value: 0 } at { frame: 20 value: 10 } } subtract: true rule: EVENODD }
  shape { path: "M1 1H2V2Z" opacity { value: 0.5 } })";

TEST(MaskResolver, PointsMoveBetweenKeyFrames) {
  const Mask mask = Parse<Mask>(kMovingMask);
  MaskResolver resolver(mask);
  const ResolvedMask m = *resolver.At(15);
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

TEST(MaskResolver, FramesWithoutMovementHaveEqualDigests) {
  const MaskResolver resolver(Parse<Mask>(kMovingMask));
  EXPECT_EQ(resolver.DigestAt(1), resolver.DigestAt(10));
  EXPECT_EQ(resolver.DigestAt(20), resolver.DigestAt(1000));
  EXPECT_NE(resolver.DigestAt(10), resolver.DigestAt(11));
  const MaskResolver still(Parse<Mask>("shape { path: \"M0 0H4V4Z\" }"));
  EXPECT_EQ(still.At(1), still.At(2)) << "the same object";
}

TEST(MaskResolver, SizeCountsPointsAndInstants) {
  // A start and two lines: 2 + 6 * 2 numbers; of two shapes, in the first of which points move.
  EXPECT_EQ(SizeOf(Parse<Mask>(kMovingMask)).numbers, 28);
  EXPECT_EQ(SizeOf(Parse<Mask>(std::string(kMovingMask) + "shutter { degrees: 180 }")).numbers, 28 * 64);
  EXPECT_EQ(SizeOf(Parse<Mask>("shape { path: \"M0 0H4V4Z\" } shutter { degrees: 180 }")).instants, 1u);
}

// Points of a shape: start, then the ends of its lines.
std::vector<std::pair<double, double>> Ends(const ResolvedMask::Shape& shape) {
  const auto& xy = shape.path(0).xy();
  std::vector<std::pair<double, double>> ends = {{xy[0], xy[1]}};
  for (int i = 6; i + 1 < xy.size(); i += 6) ends.push_back({xy[i], xy[i + 1]});
  return ends;
}

TEST(MaskTrack, ScalesAndTurnsAboutThePivotThenShifts) {
  const Mask mask = Parse<Mask>(R"(
    shape { path: "M10 20H30V20Z" }
    track { x { value: 5 } y { value: -2 } rotate { value: 90 } scale { value: 2 } pivot_x: 10 pivot_y: 20 })");
  const auto ends = Ends(MaskResolver(mask).At(1)->shape(0));
  EXPECT_NEAR(ends[0].first, 15, 1e-12);
  EXPECT_NEAR(ends[0].second, 18, 1e-12);
  // 20 to the right of the pivot becomes 40 below it: y points down.
  EXPECT_NEAR(ends[1].first, 15, 1e-12);
  EXPECT_NEAR(ends[1].second, 58, 1e-12);
}

TEST(MaskTrack, NumbersMoveAndAnglesTurnOnArcs) {
  const Mask mask = Parse<Mask>(R"(
    shape { path: "M0 0H10V1Z" }
    track { x { at { frame: 0 value: 0 } at { frame: 10 value: 20 } }
            rotate { at { frame: 0 value: 0 } at { frame: 10 value: 180 } } })");
  MaskResolver resolver(mask);
  const auto ends = Ends(resolver.At(5)->shape(0));
  // Halfway: 10 to the right, turned by 90 degrees, as long as it was.
  EXPECT_NEAR(ends[1].first, 10, 1e-12);
  EXPECT_NEAR(ends[1].second, 10, 1e-12);
}

TEST(MaskTrack, NoMovementAndWholeTurnsChangeNoBit) {
  const std::string shape = R"(shape { path: "M0.1 0.7H10.3V9.9Z" })";
  const Mask plain = Parse<Mask>(shape);
  for (const char* track :
       {"track {}", "track { pivot_x: 3.3 pivot_y: 1.7 }", "track { rotate { value: 720 } pivot_x: 3.3 }"}) {
    const Mask mask = Parse<Mask>(shape + track);
    EXPECT_EQ(MaskResolver(mask).DigestAt(1), MaskResolver(plain).DigestAt(1)) << track;
  }
}

// 8 pixels from frame 10 to 18.
constexpr char kSliding[] = R"(
  shape { at { frame: 10 path: "M0 0H4V4Z" } at { frame: 18 path: "M8 0H12V4Z" } } )";

TEST(MaskShutter, InstantsLieEvenlyInTheOpenTime) {
  const Mask mask = Parse<Mask>(std::string(kSliding) + "shutter { degrees: 180 }");
  const ResolvedMask m = *MaskResolver(mask).At(14);
  ASSERT_EQ(m.instants(), 8u);
  ASSERT_EQ(m.shape_size(), 8);
  // Half a frame, centred: at 14 the shape has moved by 4.
  for (int i = 0; i < 8; ++i) EXPECT_NEAR(m.shape(i).path(0).xy(0), 4 - 0.25 + 0.5 * (i + 0.5) / 8, 1e-12);
  const Mask late = Parse<Mask>(std::string(kSliding) + "shutter { degrees: 180 opens: 90 }");
  EXPECT_NEAR(MaskResolver(late).At(14)->shape(0).path(0).xy(0), 4 + 0.25 + 0.5 * 0.5 / 8, 1e-12);
}

TEST(MaskShutter, FastMovementTakesMoreInstants) {
  const auto instants = [](double pixels) {
    const Mask mask = Parse<Mask>(absl::StrCat(R"(shape { path: "M0 0H4V4Z" } shutter { degrees: 360 }
      track { x { at { frame: 0 value: 0 } at { frame: 10 value: )",
                                               10 * pixels, " } } }"));
    return MaskResolver(mask).At(5)->instants();
  };
  EXPECT_EQ(instants(7.9), 8u);
  EXPECT_EQ(instants(8.1), 16u);
  EXPECT_EQ(instants(31), 32u);
  EXPECT_EQ(instants(1000), 64u);
}

TEST(MaskShutter, AtRestItIsTheMaskWithoutOne) {
  const Mask plain = Parse<Mask>(kSliding), blurred = Parse<Mask>(std::string(kSliding) + "shutter { degrees: 360 }");
  MaskResolver a(plain), b(blurred);
  EXPECT_EQ(a.DigestAt(5), b.DigestAt(5));
  EXPECT_EQ(a.DigestAt(30), b.DigestAt(30));
  // Half of the open time is before the first key frame.
  EXPECT_NE(a.DigestAt(10), b.DigestAt(10));
  const Mask closed = Parse<Mask>(std::string(kSliding) + "shutter {}");
  EXPECT_EQ(MaskResolver(closed).DigestAt(14), a.DigestAt(14));
}

TEST(MaskShutter, FadesAreAveragedToo) {
  const Mask mask = Parse<Mask>(R"(shutter { degrees: 360 }
    shape { path: "M0 0H4V4Z" opacity { at { frame: 0 value: 0 } at { frame: 10 value: 1 } } })");
  const ResolvedMask m = *MaskResolver(mask).At(5);
  ASSERT_EQ(m.instants(), 8u);
  EXPECT_NEAR(m.shape(0).opacity(), 0.5 - 0.05 + 0.1 / 16, 1e-12);
}

}  // namespace
}  // namespace selvage::plan
