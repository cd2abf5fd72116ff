#include "client/intake/intake.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "client/intake/picture_header.h"

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

constexpr int kFirst = 1001, kFrames = 16, kBands = 64;

// A shot of a green screen in light, every frame of its own.
Intake Usual(int frames = kFrames) {
  Intake intake;
  intake.files = "/plates/a.%04d.exr";
  intake.frames = {kFirst, kFirst + frames - 1};
  for (int i = 0; i < frames; ++i) {
    IntakeFrame& f = intake.frame.emplace_back();
    f.state = IntakeFrame::kRead;
    f.file = absl::StrCat("/plates/a.", kFirst + i, ".exr");
    f.type = "OpenEXR, half: B G R";
    PlateSurvey& s = f.survey;
    s.set_width(320);
    s.set_height(192);
    s.set_encoding(ENCODING_LINEAR);
    s.set_blocks(1.01f);
    s.set_least(0.001f);
    s.set_greatest(1.8f);
    for (int band = 0; band < kBands; ++band) {
      std::string hash(8, '\0');
      hash[0] = static_cast<char>(i);
      hash[1] = static_cast<char>(band);
      s.mutable_bands()->append(hash);
    }
    for (float mean : {0.1f, 0.3f, 0.12f}) {
      s.add_channel_mean(mean);
      s.add_channel_least(0.001f);
      s.add_channel_greatest(1.8f);
      s.add_at_greatest(0.0001f);
      s.add_at_least(0.0002f);
    }
  }
  return intake;
}
IntakeFrame& At(Intake* intake, int frame) { return intake->frame[static_cast<size_t>(frame - kFirst)]; }
PlateSurvey& SurveyAt(Intake* intake, int frame) { return At(intake, frame).survey; }

std::vector<std::string> Findings(const Intake& intake) {
  std::vector<std::string> all;
  const PlateIntake report = ReportOf(intake);
  for (const IntakeFinding& f : report.finding()) {
    all.push_back(absl::StrCat(IntakeFinding::Kind_Name(f.kind()), " ", f.first(), "-", f.last()));
  }
  return all;
}
std::string WhyOf(const Intake& intake, IntakeFinding::Kind kind) {
  const PlateIntake report = ReportOf(intake);
  for (const IntakeFinding& f : report.finding()) {
    if (f.kind() == kind) return f.why();
  }
  return "";
}

TEST(Intake, NothingStandsOutOfAGoodPlate) {
  for (int frames : {1, 2, 3, kFrames}) EXPECT_THAT(Findings(Usual(frames)), IsEmpty()) << frames;
  const Intake intake = Usual();
  EXPECT_EQ(InWords(intake, ReportOf(intake)),
            "/plates/a.%04d.exr\n"
            "  frames    1001-1016: 16 files\n"
            "  size      320 x 192\n"
            "  type      OpenEXR, half: B G R\n"
            "  encoding  linear; values from 0.001 to 1.8, mean 0.244\n"
            "\nNothing stands out.\n");
}

TEST(Intake, MissingFramesAreOneRangeAndDoubleOnesAreNamed) {
  Intake intake = Usual();
  for (int f : {1003, 1004, 1005, 1009}) At(&intake, f) = IntakeFrame();
  intake.spellings = {{1007, "a.1007x.exr"}, {1009, "a.01009.exr"}};
  EXPECT_THAT(Findings(intake), ElementsAre("MISSING 1003-1005", "DOUBLE 1007-1007", "MISSING 1009-1009"));
  const std::string page = InWords(intake, ReportOf(intake));
  EXPECT_THAT(page, HasSubstr("1001-1016: 12 files, 4 missing"));
  EXPECT_THAT(page, HasSubstr("  1003-1005: there is no file."));
  EXPECT_THAT(page, HasSubstr("  1007: a.1007x.exr says this number, too. A stack reads a.1007.exr:"));
  EXPECT_THAT(page, HasSubstr("  1009: there is no file of this name, but a.01009.exr has the number"));
}

TEST(Intake, UnreadableFramesSayWhy) {
  Intake intake = Usual();
  for (int f : {1004, 1005}) {
    At(&intake, f) = IntakeFrame();
    At(&intake, f).state = IntakeFrame::kUnreadable;
    At(&intake, f).trouble = "it is cut short";
  }
  EXPECT_THAT(Findings(intake), ElementsAre("UNREADABLE 1004-1005"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::UNREADABLE), HasSubstr("it is cut short. Copy it again"));
}

TEST(Intake, FrozenFramesAreThoseThatRepeatTheOneBefore) {
  Intake intake = Usual();
  for (int f : {1006, 1007, 1012}) SurveyAt(&intake, f).set_bands(SurveyAt(&intake, f - 1).bands());
  EXPECT_THAT(Findings(intake), ElementsAre("FROZEN 1006-1007", "FROZEN 1012-1012"));
  // One line for both.
  EXPECT_THAT(InWords(intake, ReportOf(intake)), HasSubstr("  1006-1007, 1012: the picture is exactly that"));
}

void CopyBands(Intake* intake, int from, int to, int first, int last) {
  const std::string& source = SurveyAt(intake, from).bands();
  SurveyAt(intake, to).mutable_bands()->replace(8 * first, 8 * (last - first), source, 8 * first, 8 * (last - first));
}

TEST(Intake, TornFramesHaveAPartOfTheOneBefore) {
  Intake intake = Usual();
  CopyBands(&intake, 1004, 1005, 0, 24);
  EXPECT_THAT(Findings(intake), ElementsAre("TORN 1005-1005"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::TORN), HasSubstr("the upper 38 % of the picture"));
  CopyBands(&intake, 1010, 1011, 60, 64);
  EXPECT_THAT(Findings(intake), ElementsAre("TORN 1005-1005", "TORN 1011-1011"));
  Intake three = Usual(3);
  CopyBands(&three, 1001, 1002, 30, 64);
  EXPECT_THAT(Findings(three), ElementsAre("TORN 1002-1002"));
  EXPECT_THAT(WhyOf(three, IntakeFinding::TORN), HasSubstr("the lower 53 %"));
}

TEST(Intake, BlackBarsAndDrawnPicturesThatStandStillAreNotTorn) {
  Intake bars = Usual();
  for (int f = kFirst + 1; f < kFirst + kFrames; ++f) {
    CopyBands(&bars, kFirst, f, 0, 8);
    CopyBands(&bars, kFirst, f, 56, 64);
  }
  EXPECT_THAT(Findings(bars), IsEmpty());
  CopyBands(&bars, 1004, 1005, 0, 30);
  EXPECT_THAT(Findings(bars), ElementsAre("TORN 1005-1005"));
  // Something moves up and down before what stands still.
  Intake still = Usual();
  for (int f = kFirst + 1; f < kFirst + kFrames; ++f) CopyBands(&still, f - 1, f, 0, 3 * ((f - kFirst) % 8));
  EXPECT_THAT(Findings(still), IsEmpty());
}

TEST(Intake, WhatChangesIsHeldAgainstTheFirstFrame) {
  Intake intake = Usual();
  for (int f : {1005, 1006}) SurveyAt(&intake, f).set_height(190);
  At(&intake, 1009).type = "PNG, 8 bits: R G B";
  SurveyAt(&intake, 1011).set_encoding(ENCODING_SRGB);
  EXPECT_THAT(Findings(intake), ElementsAre("CHANGED 1005-1006", "CHANGED 1009-1009", "CHANGED 1011-1011"));
  const std::string page = InWords(intake, ReportOf(intake));
  EXPECT_THAT(page, HasSubstr("is 320 x 190, not 320 x 192 like frame 1001"));
  EXPECT_THAT(page, HasSubstr("is PNG, 8 bits: R G B, not OpenEXR, half: B G R"));
  EXPECT_THAT(page, HasSubstr("is read as srgb, not as linear"));
}

TEST(Intake, ClippedAndCrushedChannelsAreNamed) {
  Intake intake = Usual();
  for (int f = 1003; f <= 1010; ++f) SurveyAt(&intake, f).set_at_greatest(1, f % 2 ? 0.02f : 0.008f);
  SurveyAt(&intake, 1007).set_at_greatest(1, 0.12f);
  SurveyAt(&intake, 1014).set_at_least(0, 0.3f);
  // About the limit it is one range.
  EXPECT_THAT(Findings(intake), ElementsAre("CLIPPED 1003-1009", "CRUSHED 1014-1014"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::CLIPPED), HasSubstr("clipped: green in up to 12 % of the picture (at 1.8)"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::CRUSHED), HasSubstr("crushed: red in 30 % of the picture (at 0.001)"));
  // A channel of one value is no clipping.
  SurveyAt(&intake, 1014).set_channel_greatest(0, SurveyAt(&intake, 1014).channel_least(0));
  EXPECT_THAT(Findings(intake), ElementsAre("CLIPPED 1003-1009"));
}

TEST(Intake, ARunGoesOnBeyondFramesThatAreMissing) {
  Intake intake = Usual();
  for (int f = kFirst; f < kFirst + kFrames; ++f) SurveyAt(&intake, f).set_blocks(f == 1004 ? 1.75f : 1.4f);
  At(&intake, 1008) = IntakeFrame();
  EXPECT_THAT(Findings(intake), ElementsAre("BLOCKS 1001-1016", "MISSING 1008-1008"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::BLOCKS), HasSubstr("up to 1.75 times those within"));
}

TEST(Intake, FlashesStandOutOfBothNeighbours) {
  Intake intake = Usual();
  for (int c = 0; c < 3; ++c) {
    *SurveyAt(&intake, 1004).mutable_channel_mean()->Mutable(c) *= 2;
    *SurveyAt(&intake, 1008).mutable_channel_mean()->Mutable(c) *= 0;
    // From here on it stays brighter: a cut, or a light that was switched on.
    for (int f = 1012; f < kFirst + kFrames; ++f) *SurveyAt(&intake, f).mutable_channel_mean()->Mutable(c) *= 2;
  }
  EXPECT_THAT(Findings(intake), ElementsAre("FLASH 1004-1004", "FLASH 1008-1008"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::FLASH), HasSubstr("2.0 times as bright as the frames beside it"));
}

TEST(Intake, SamplesThatAreNoNumbersAreCounted) {
  Intake intake = Usual();
  SurveyAt(&intake, 1002).set_not_finite(1);
  SurveyAt(&intake, 1003).set_not_finite(12);
  EXPECT_THAT(Findings(intake), ElementsAre("NOT_FINITE 1002-1003"));
  EXPECT_THAT(WhyOf(intake, IntakeFinding::NOT_FINITE), HasSubstr("up to 12 samples are infinite or no number"));
  // An infinite one, read as 65504, is no flash.
  SurveyAt(&intake, 1003).set_channel_mean(1, 3);
  SurveyAt(&intake, 1003).set_channel_greatest(1, 65504);
  EXPECT_THAT(Findings(intake), ElementsAre("NOT_FINITE 1002-1003"));
}

// Values of the whole shot, and what is said of them.
std::string TransferOf(Encoding encoding, float least, float greatest, float mean) {
  Intake intake = Usual();
  for (IntakeFrame& f : intake.frame) {
    f.survey.set_encoding(encoding);
    for (int c = 0; c < 3; ++c) {
      f.survey.set_channel_least(c, least);
      f.survey.set_channel_greatest(c, greatest);
      f.survey.set_channel_mean(c, mean);
    }
  }
  return WhyOf(intake, IntakeFinding::TRANSFER);
}

TEST(Intake, ValuesThatDoNotLookLikeTheEncoding) {
  // Light of a window, read as sRGB: code 2 is light 4.95.
  EXPECT_THAT(TransferOf(ENCODING_SRGB, 0, 4.95f, 0.1f), HasSubstr("`--encoding linear`"));
  // Light up to 1 read as sRGB: grey of 0.18 becomes 0.027.
  EXPECT_THAT(TransferOf(ENCODING_SRGB, 0, 1, 0.015f), HasSubstr("very dark"));
  // Printing density (SMPTE RP 180): black at code 95, white at 685 of 1023; 0.093 and 0.67
  // read as sRGB.
  EXPECT_THAT(TransferOf(ENCODING_SRGB, 0.0091f, 0.406f, 0.1f), HasSubstr("from 0.09 to 0.67"));
  EXPECT_THAT(TransferOf(ENCODING_LINEAR, 0.093f, 0.67f, 0.4f), HasSubstr("log footage"));
  EXPECT_THAT(TransferOf(ENCODING_LINEAR, 0, 1, 0.46f), HasSubstr("`--encoding srgb` or `bt709`"));
  // Codes 0 and 1023 of printing density.
  EXPECT_THAT(TransferOf(ENCODING_PRINTING_DENSITY, -0.0108f, 13.5f, 0.5f), HasSubstr("all code values are used"));
  EXPECT_THAT(TransferOf(ENCODING_ACESCCT, -0.0069f, 222.9f, 0.5f), HasSubstr("all code values are used"));
  // As they should be.
  EXPECT_EQ(TransferOf(ENCODING_SRGB, 0, 1, 0.18f), "");
  EXPECT_EQ(TransferOf(ENCODING_LINEAR, -0.002f, 8, 0.18f), "");
  EXPECT_EQ(TransferOf(ENCODING_LINEAR, 0, 0.9f, 0.18f), "");
  EXPECT_EQ(TransferOf(ENCODING_PRINTING_DENSITY, 0.001f, 1.4f, 0.18f), "");
  EXPECT_EQ(TransferOf(ENCODING_ACESCCT, 0.0005f, 16, 0.18f), "");
}

TEST(Intake, APageIsAPage) {
  Intake intake = Usual(2000);
  for (int i = 0; i < 2000; i += 2) {
    intake.frame[static_cast<size_t>(i)].survey.set_not_finite(static_cast<uint64_t>(i) + 1);
  }
  const PlateIntake report = ReportOf(intake);
  EXPECT_EQ(report.finding_size(), 1000);
  const std::string page = InWords(intake, report);
  EXPECT_LT(std::count(page.begin(), page.end(), '\n'), 62);
  EXPECT_THAT(page, HasSubstr("and 950 lines more"));
}

std::string TypeIn(const std::string& bytes) {
  return PictureTypeIn([&](uint64_t offset, size_t count) {
    return offset > bytes.size() ? std::string() : bytes.substr(offset, count);
  });
}

// What real files say is tested with files that OpenImageIO wrote (tests/e2e/intake_test.cc).
TEST(PictureHeader, DamagedHeadersSayNoMoreThanTheirType) {
  EXPECT_EQ(TypeIn(""), "");
  EXPECT_EQ(TypeIn("a text"), "");
  EXPECT_EQ(TypeIn("\x76\x2f\x31\x01"), "OpenEXR");
  EXPECT_EQ(TypeIn(std::string("\x76\x2f\x31\x01\x02\0\0\0channels\0chlist\0\xff\xff\xff\xff", 28)), "OpenEXR");
  EXPECT_EQ(TypeIn("SDPX"), "DPX");
  EXPECT_EQ(TypeIn("\x89PNG\r\n\x1a\n"), "PNG");
  EXPECT_EQ(TypeIn("\xff\xd8\xff"), "JPEG");
  EXPECT_THAT(TypeIn(std::string("II*\0\xff\xff\xff\xff", 8)), HasSubstr("TIFF"));
}

}  // namespace
}  // namespace selvage::client
