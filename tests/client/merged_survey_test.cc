#include "client/start/merged_survey.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

// A plate of 320 x 192 in cells of 16: bare screen but for the cells drawn as '#'
// (10 x 6 characters, each two cells by two).
Surveyed Survey(int frame, const std::vector<std::string>& drawn = {}, const Rgb& screen = {0.1f, 0.5f, 0.1f}) {
  Surveyed s{frame, {}};
  PlateSurvey& p = s.survey;
  p.set_width(320);
  p.set_height(192);
  p.set_least(0.01f);
  p.set_greatest(0.9f);
  p.set_screen_found(true);
  for (float v : screen) p.add_screen(v);
  p.set_saturation(0.8f);
  p.set_cell_side(16);
  p.set_columns(20);
  p.set_rows(12);
  int bare = 0;
  for (int row = 0; row < 12; ++row) {
    for (int column = 0; column < 20; ++column) {
      const bool occupied = !drawn.empty() && drawn[row / 2][column / 2] == '#';
      bare += !occupied;
      p.add_bare(occupied ? 0 : 1);
      p.add_roughness(occupied ? 0.3f : 0.02f);
      for (int c = 0; c < 3; ++c) p.add_mean(occupied ? 0.2f : screen[c]);
    }
  }
  p.set_bare_share(static_cast<float>(bare) / 240);
  return s;
}

const std::vector<std::string> kMan = {"..........",  //
                                       "....##....",  //
                                       "....##....",  //
                                       "...####...",  //
                                       "...####...",  //
                                       ".########."};

TEST(SpreadFrames, BeginsAndEndsWithTheShot) {
  EXPECT_THAT(SpreadFrames({1001, 1024}, 5), ElementsAre(1001, 1007, 1013, 1018, 1024));
  EXPECT_THAT(SpreadFrames({1001, 1003}, 5), ElementsAre(1001, 1002, 1003));
  EXPECT_THAT(SpreadFrames({7, 7}, 5), ElementsAre(7));
  EXPECT_THAT(SpreadFrames({-2000000000, 2000000000}, 3), ElementsAre(-2000000000, 0, 2000000000));
  EXPECT_THAT(FramesBetween({1001, 1007, 1008, 1010}), ElementsAre(1004, 1009));
  EXPECT_THAT(FramesBetween({7}), IsEmpty());
}

TEST(AgreedScreen, IsTheMedianOfThoseThatAgree) {
  const auto screen = AgreedScreen({Survey(1, kMan, {0.1f, 0.50f, 0.1f}), Survey(2, kMan, {0.5f, 0.45f, 0.48f}),
                                    Survey(3, kMan, {0.1f, 0.52f, 0.1f}), Survey(4, kMan, {0.1f, 0.54f, 0.1f})});
  ASSERT_TRUE(screen.ok());
  EXPECT_EQ((*screen)[1], 0.52f);
}

// A large costume in a hue of its own at some frames is not the screen.
TEST(AgreedScreen, CoversMostOfAllFrames) {
  Surveyed costume = Survey(2, kMan, {0.5f, 0.1f, 0.1f});
  costume.survey.set_bare_share(0.9f);
  const auto screen = AgreedScreen({Survey(1, kMan), costume, Survey(3, kMan)});
  ASSERT_TRUE(screen.ok());
  EXPECT_TRUE(SameHue(*screen, {0.1f, 0.5f, 0.1f}));
}

TEST(AgreedScreen, NoneIsSaidWithWhatToGive) {
  Surveyed nothing{1001, {}};
  Surveyed pale = Survey(1002);
  pale.survey.set_saturation(0.05f);
  const auto screen = AgreedScreen({nothing, pale});
  EXPECT_EQ(screen.status().code(), absl::StatusCode::kNotFound);
  EXPECT_THAT(std::string(screen.status().message()), HasSubstr("frames 1001 to 1002"));
  EXPECT_THAT(std::string(screen.status().message()), HasSubstr("--screen-box"));
}

TEST(Hull, HoldsAllThatIsInTheWayAtAnyFrame) {
  const std::vector<std::string> arm = {"..........",  //
                                        "....##..##",  //
                                        "....##.##.",  //
                                        "...#####..",  //
                                        "...####...",  //
                                        ".########."};
  const std::vector<Surveyed> both = {Survey(1, kMan), Survey(2, arm)};
  const Outline one = HullOfForeground({both[0]}, true), all = HullOfForeground(both, true);
  EXPECT_TRUE(Contains(all, one));
  EXPECT_TRUE(Contains(all, HullOfForeground({both[1]}, false)));
  EXPECT_FALSE(Contains(one, HullOfForeground({both[1]}, false)));
  // At the right edge it goes on beyond the picture; at the left it ends.
  const auto [least, most] = std::minmax_element(all.begin(), all.end());
  EXPECT_GT(most->first, 320);
  EXPECT_EQ(least->first, 32 - 24);
  EXPECT_LT(ShareWithin(one, both[0].survey), ShareWithin(all, both[0].survey));
}

TEST(Hull, LeavesOutMarksThatNeverChange) {
  Surveyed first = Survey(1, kMan), second = Survey(2, kMan);
  for (Surveyed* s : {&first, &second}) s->survey.set_bare(2 * 20 + 16, 0.4f);
  EXPECT_EQ(HullOfForeground({first, second}, true), HullOfForeground({Survey(1, kMan)}, true));
  // What comes and goes is no mark.
  second.survey.set_bare(2 * 20 + 16, 1);
  EXPECT_NE(HullOfForeground({first, second}, true), HullOfForeground({Survey(1, kMan)}, true));
}

TEST(Hull, OfNothingIsEmpty) {
  EXPECT_THAT(HullOfForeground({Survey(1)}, true), IsEmpty());
  EXPECT_FALSE(Contains({}, HullOfForeground({Survey(1, kMan)}, false)));
}

TEST(SampleBox, IsBareAtEveryFrameAndTheEvenest) {
  const std::vector<std::string> right = {"......####",  //
                                          "......####",  //
                                          "......####",  //
                                          "......####",  //
                                          "......####",  //
                                          "......####"};
  Surveyed a = Survey(1, kMan), b = Survey(2, right);
  // The top left corner is the smoothest place of what both leave.
  for (Surveyed* s : {&a, &b}) {
    for (int cell : {0, 1, 2, 3, 20, 21, 22, 23, 40, 41, 42, 43, 60, 61, 62, 63}) s->survey.set_roughness(cell, 0.01f);
  }
  const auto box = FindSampleBox({a, b});
  ASSERT_TRUE(box);
  EXPECT_EQ(box->x(), 0);
  EXPECT_EQ(box->y(), 0);
  EXPECT_EQ(box->width(), 64u);
  EXPECT_FALSE(box->has_frame());
}

TEST(SampleBox, IsOfOneFrameWhereNoPlaceStaysBare) {
  const std::vector<std::string> left = {"#####.....", "#####.....", "#####.....",
                                         "#####.....", "#####.....", "#####....."};
  const std::vector<std::string> right = {".....#####", ".....#####", ".....#####",
                                          ".....#####", ".....#####", ".....#####"};
  const auto findings = MergeSurveys({1, 9}, {Survey(1, left), Survey(9, right)}, std::nullopt);
  ASSERT_TRUE(findings.ok()) << findings.status();
  EXPECT_EQ(findings->box().frame(), 1);
  EXPECT_GE(findings->box().x(), 160);
  // And the whole picture is in the way at some time.
  EXPECT_EQ(findings->garbage(), "");
  ASSERT_EQ(findings->warning_size(), 2);
  EXPECT_THAT(findings->warning(0), HasSubstr("only at frame 1"));
  EXPECT_THAT(findings->warning(1), HasSubstr("no garbage mask"));
}

TEST(MergeSurveys, SaysWhatIsThere) {
  const auto f = MergeSurveys({1001, 1024}, {Survey(1001, kMan), Survey(1024, kMan)}, std::nullopt);
  ASSERT_TRUE(f.ok()) << f.status();
  EXPECT_THAT(f->surveyed(), ElementsAre(1001, 1024));
  EXPECT_EQ(f->screen(1), 0.5f);
  EXPECT_NEAR(f->saturation(), 0.8, 1e-6);
  EXPECT_NEAR(f->roughness(), 0.02, 1e-6);
  // Head and shoulders with 24 pixels of margin, and 48 beyond the lower edge.
  EXPECT_EQ(f->garbage(), "M 8 136 L 104 8 L 216 8 L 312 136 L 312 240 L 8 240 Z");
  EXPECT_THAT(f->warning(), IsEmpty());
}

TEST(MergeSurveys, WarnsOfTextureInTheArtistsBoxWithTheRatio) {
  Surveyed s = Survey(1001, kMan);
  s.survey.set_box_texture(4.2f);
  SampleBox box;
  box.set_x(130);
  box.set_y(40);
  box.set_width(32);
  box.set_height(32);
  const auto f = MergeSurveys({1001, 1001}, {s}, box);
  ASSERT_TRUE(f.ok());
  ASSERT_EQ(f->warning_size(), 1);
  EXPECT_THAT(f->warning(0), HasSubstr("130,40,32,32"));
  EXPECT_THAT(f->warning(0), HasSubstr("4.2 times"));
}

// Grass and leaves: the screen's hue everywhere, a whole cell of it hardly anywhere.
TEST(MergeSurveys, DoubtsAScreenThatLiesScattered) {
  Surveyed meadow = Survey(1001);
  for (int cell = 0; cell < meadow.survey.bare_size(); ++cell) {
    if (cell % 9 != 0) meadow.survey.set_bare(cell, 0.4f);
  }
  meadow.survey.set_bare_share(0.46f);
  const auto f = MergeSurveys({1001, 1001}, {meadow}, std::nullopt);
  ASSERT_TRUE(f.ok()) << f.status();
  ASSERT_GE(f->warning_size(), 1);
  EXPECT_THAT(f->warning(0), HasSubstr("is this a screen? What has its colour is 46 % of the picture"));
  // Whoever shows it the screen knows it.
  SampleBox box;
  box.set_width(16);
  box.set_height(16);
  const auto given = MergeSurveys({1001, 1001}, {meadow}, box);
  ASSERT_TRUE(given.ok()) << given.status();
  for (const std::string& warning : given->warning()) EXPECT_THAT(warning, ::testing::Not(HasSubstr("screen?")));
}

// A shiny screen in a JPEG: specks in every cell.
TEST(MergeSurveys, AScreenWithSpecksAllOverGetsABoxAndAWarning) {
  Surveyed specked = Survey(1, kMan);
  for (float& bare : *specked.survey.mutable_bare()) bare *= 0.9f;
  const auto f = MergeSurveys({1, 1}, {specked}, std::nullopt);
  ASSERT_TRUE(f.ok()) << f.status();
  EXPECT_GE(f->box().width(), 16);
  EXPECT_FALSE(f->box().has_frame());
  EXPECT_EQ(f->garbage(), "");
  EXPECT_THAT(f->warning(), ::testing::Contains(HasSubstr("no area of screen is bare all over")));
  for (float& bare : *specked.survey.mutable_bare()) bare *= 0.5f;
  EXPECT_EQ(MergeSurveys({1, 1}, {specked}, std::nullopt).status().code(), absl::StatusCode::kNotFound);
}

TEST(MergeSurveys, RefusesFramesOfAnotherSize) {
  Surveyed other = Survey(1002);
  other.survey.set_width(640);
  const auto f = MergeSurveys({1001, 1002}, {Survey(1001), other}, std::nullopt);
  EXPECT_EQ(f.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(f.status().message()), HasSubstr("640 x 192 at frame 1002"));
}

TEST(MergeSurveys, HalvedChromaIsSeenInMostFrames) {
  const auto merged = [](const std::vector<float>& smoothness) {
    std::vector<Surveyed> surveys;
    for (size_t i = 0; i < smoothness.size(); ++i) {
      surveys.push_back(Survey(static_cast<int>(i) + 1, kMan));
      surveys.back().survey.set_chroma_smoothness(smoothness[i]);
    }
    const auto findings = MergeSurveys({1, static_cast<int>(smoothness.size())}, surveys, std::nullopt);
    EXPECT_TRUE(findings.ok()) << findings.status();
    return findings->chroma_halved();
  };
  EXPECT_TRUE(merged({0.5f, 0.55f, 1.0f}));
  EXPECT_FALSE(merged({1.0f, 0.95f, 0.5f}));
  EXPECT_TRUE(merged({0, 0, 0.5f}));
  EXPECT_FALSE(merged({0, 0}));
}

// A set beside the screen, to the right and above: the mask ends half a cell before it.
TEST(MergeSurveys, TheGarbageMaskEndsWithTheScreen) {
  const std::vector<std::string> set = {"##########",  //
                                        "....##..##",  //
                                        "....##..##",  //
                                        "...####.##",  //
                                        "...####.##",  //
                                        ".#########"};
  const auto findings = MergeSurveys({1, 2}, {Survey(1, set), Survey(2, set)}, std::nullopt);
  ASSERT_TRUE(findings.ok()) << findings.status();
  // Columns of 16 pixels: the last that shows screen is the 16th; rows: the third.
  EXPECT_THAT(findings->warning(), ::testing::Contains(HasSubstr("on the right at x 248 and at the top at y 40")));
  EXPECT_GT(findings->garbage_share(), 0.3);
  EXPECT_LT(findings->garbage_share(), 0.7);
  // A man who stands close hides the screen below only.
  const std::vector<std::string> close = {"..........",  //
                                          "...####...",  //
                                          "...####...",  //
                                          "..######..",  //
                                          "##########",  //
                                          "##########"};
  const auto man = MergeSurveys({1, 1}, {Survey(1, close)}, std::nullopt);
  ASSERT_TRUE(man.ok());
  EXPECT_THAT(man->warning(), ::testing::Not(::testing::Contains(HasSubstr("the screen ends"))));
}

}  // namespace
}  // namespace selvage::client
