#include "proto/plate_channels.h"

#include "gmock/gmock.h"
#include "google/protobuf/text_format.h"
#include "gtest/gtest.h"

namespace selvage {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;

template <class Message>
Message Parse(const std::string& text) {
  Message m;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &m)) << text;
  return m;
}

// "PART/LAYER", or what is wrong.
std::string Chosen(const std::string& plate, const std::string& parts) {
  const auto choice = ChoosePicture(Parse<Plate>(plate), Parse<PlateFacts>(parts));
  return choice.ok() ? std::to_string(choice->part) + "/" + choice->layer : std::string(choice.status().message());
}

constexpr char kPlain[] = "part { channel: 'R' channel: 'G' channel: 'B' channel: 'A' }";
constexpr char kLayers[] = R"(part { channel: 'fg.R' channel: 'fg.G' channel: 'fg.B' channel: 'fg.A'
                                     channel: 'bg.R' channel: 'bg.G' channel: 'bg.B' channel: 'depth.Z' })";
constexpr char kBoth[] = R"(part { channel: 'R' channel: 'G' channel: 'B' channel: 'hair'
                                   channel: 'fg.R' channel: 'fg.G' channel: 'fg.B' })";
constexpr char kEyes[] = R"(part { name: 'left' channel: 'R' channel: 'G' channel: 'B' }
                            part { name: 'right' channel: 'R' channel: 'G' channel: 'B' channel: 'A' })";
constexpr char kDepth[] = R"(part { name: 'depth' channel: 'Z' channel: 'ZBack' }
                             part { name: 'beauty' channel: 'R' channel: 'G' channel: 'B' })";

TEST(ChoosePicture, TheOnlyPictureNeedsNoChoice) {
  EXPECT_EQ(Chosen("", kPlain), "0/");
  EXPECT_EQ(Chosen("", kBoth), "0/");
  EXPECT_EQ(Chosen("", kDepth), "1/") << "the other part holds no colour";
  EXPECT_EQ(Chosen("", "part { channel: 'Y' }"), "0/");
  EXPECT_EQ(Chosen("", "part { channel: 'main.R' channel: 'main.G' channel: 'main.B' channel: 'depth.Z' }"), "0/main");
}

TEST(ChoosePicture, APartIsChosenByNameOrNumber) {
  EXPECT_EQ(Chosen("part: 'right'", kEyes), "1/");
  EXPECT_EQ(Chosen("part: '0'", kEyes), "0/");
  EXPECT_EQ(Chosen("part: '1' alpha: ASSOCIATED", kEyes), "1/");
}

TEST(ChoosePicture, ALayerIsChosenByName) {
  EXPECT_EQ(Chosen("layer: 'bg'", kLayers), "0/bg");
  EXPECT_EQ(Chosen("layer: 'fg' alpha: ASSOCIATED", kLayers), "0/fg");
  EXPECT_EQ(Chosen("layer: 'fg'", kBoth), "0/fg");
  EXPECT_EQ(Chosen("layer: 'hair' alpha: MATTE_ONLY", kBoth), "0/hair");
  EXPECT_EQ(Chosen("layer: 'fg' alpha: MATTE_ONLY", kLayers), "0/fg");
}

TEST(ChoosePicture, WhereItWouldBeAGuessTheChoicesAreListed) {
  EXPECT_THAT(Chosen("", kEyes), HasSubstr("several parts with a picture: \"left\", \"right\""));
  EXPECT_THAT(Chosen("", kLayers), HasSubstr("several layers with a picture: \"fg\", \"bg\""));
  EXPECT_EQ(Chosen("alpha: MATTE_ONLY", kEyes), "1/") << "the only one with an alpha channel";
}

TEST(ChoosePicture, AWrongNameGetsTheNextOne) {
  EXPECT_THAT(Chosen("part: 'rigth'", kEyes), HasSubstr("has no part \"rigth\"; its parts are \"left\", \"right\""));
  EXPECT_THAT(Chosen("part: 'rigth'", kEyes), HasSubstr("did you mean \"right\"?"));
  EXPECT_THAT(Chosen("part: '2'", kEyes), HasSubstr("has no part \"2\""));
  EXPECT_THAT(Chosen("layer: 'gf'", kLayers), HasSubstr("no picture in layer \"gf\"; its layers are fg, bg, depth"));
  EXPECT_THAT(Chosen("layer: 'fgg'", kLayers), HasSubstr("did you mean \"fg\"?"));
  EXPECT_THAT(Chosen("layer: 'fg'", kPlain), HasSubstr("it has no layers, its channels are R, G, B, A"));
}

TEST(ChoosePicture, AMissingAlphaIsSaid) {
  EXPECT_THAT(Chosen("alpha: ASSOCIATED", "part { channel: 'R' channel: 'G' channel: 'B' }"),
              HasSubstr("has no alpha channel"));
}

TEST(FindPlateChannels, ColourAndAlphaByName) {
  const auto found = FindPlateChannels({"depth.Z", "G", "B", "A", "R"}, "", Plate::UNASSOCIATED);
  ASSERT_TRUE(found.ok()) << found.status();
  EXPECT_THAT(found->color, ElementsAre(4, 1, 2));
  EXPECT_EQ(found->alpha, 3);
  EXPECT_THAT(FindPlateChannels({"Y"}, "", Plate::NONE)->color, ElementsAre(0, 0, 0));
  EXPECT_EQ(FindPlateChannels({"R", "G", "B"}, "", Plate::MATTE_ONLY)->alpha, 0);
}

}  // namespace
}  // namespace selvage
