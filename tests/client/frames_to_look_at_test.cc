#include "client/report/frames_to_look_at.h"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>

namespace selvage::client {
namespace {

constexpr int kFirst = 1001, kFrames = 24;

// A shot whose figures differ a little from frame to frame.
PassReport Usual() {
  PassReport report;
  int drawn = 0;
  report.set_pass("matte");
  for (int i = 0; i < kFrames; ++i) {
    PassReport::Frame* frame = report.add_frame();
    frame->set_frame(kFirst + i);
    MatteFigures* f = frame->mutable_figures();
    // Within 15 %, spread evenly by the golden ratio.
    const auto about = [&](double v) { return v * (0.85 + 0.3 * std::fmod(0.618034 * ++drawn, 1.0)); };
    f->set_covered_pixels(static_cast<uint64_t>(about(40'000)));
    f->set_soft_pixels(f->covered_pixels() / 10);
    f->set_hole_pixels(static_cast<uint64_t>(about(20)));
    f->set_speck_pixels(static_cast<uint64_t>(about(30)));
    f->set_flicker(about(0.03));
    f->set_jump(about(0.06));
    f->set_edge_spill(about(0.02));
    f->set_spill_pixels(static_cast<uint64_t>(about(500)));
    f->set_clipped_pixels(static_cast<uint64_t>(about(100)));
    f->set_negative_pixels(static_cast<uint64_t>(about(100)));
  }
  return report;
}
MatteFigures* At(PassReport* report, int frame) { return report->mutable_frame(frame - kFirst)->mutable_figures(); }

std::vector<std::string> Words(const PassReport& report, const GivenMattes& given = {}) {
  std::vector<std::string> words;
  for (const Finding& f : FramesToLookAt(report, given)) words.push_back(InWords(f));
  return words;
}
using Strings = std::vector<std::string>;

TEST(FramesToLookAt, WhatIsUsualInAShotDoesNotStandOut) {
  EXPECT_EQ(Words(Usual()), Strings{});
  EXPECT_EQ(Words(PassReport()), Strings{});
  PassReport one;
  *one.add_frame() = Usual().frame(0);
  EXPECT_EQ(Words(one), Strings{});
}

TEST(FramesToLookAt, FramesSideBySideAreOneWithTheWorstOfThem) {
  PassReport report = Usual();
  for (int f = kFirst; f < kFirst + kFrames; ++f) At(&report, f)->set_flicker(0.03);
  At(&report, 1019)->set_flicker(0.08);
  At(&report, 1020)->set_flicker(0.12);
  At(&report, 1021)->set_flicker(0.09);
  At(&report, 1005)->set_flicker(0.09);
  EXPECT_EQ(Words(report), (Strings{"1005: edge flicker 3.0 times the shot's median",
                                    "1019-1021: edge flicker up to 4.0 times the shot's median"}));
}

TEST(FramesToLookAt, EachFigureHasItsWords) {
  PassReport report = Usual();
  const auto quiet = [&](const std::function<void(MatteFigures*)>& set) {
    for (int f = kFirst; f < kFirst + kFrames; ++f) set(At(&report, f));
  };
  quiet([](MatteFigures* f) {
    f->set_covered_pixels(1000);
    f->set_soft_pixels(100);
    f->set_hole_pixels(0);
    f->set_speck_pixels(20);
    f->set_jump(0.05);
    f->set_flicker(0.0001);
    f->set_spill_pixels(0);
    f->set_edge_spill(0.01);
    f->set_clipped_pixels(0);
    f->set_negative_pixels(3);
  });
  At(&report, 1002)->set_hole_pixels(412);
  auto* hole = At(&report, 1002)->mutable_largest_hole();
  hole->set_x(500), hole->set_y(300), hole->set_width(20), hole->set_height(11);
  At(&report, 1004)->set_speck_pixels(70);
  At(&report, 1006)->set_soft_pixels(340);
  At(&report, 1008)->set_flicker(0.12);
  At(&report, 1011)->set_jump(0.2);
  At(&report, 1013)->set_spill_pixels(99);
  At(&report, 1013)->set_edge_spill(0.09);
  At(&report, 1015)->set_edge_spill(0.04);
  At(&report, 1017)->set_clipped_pixels(40);
  At(&report, 1019)->set_negative_pixels(80);
  At(&report, 1022)->set_covered_pixels(0);
  EXPECT_EQ(
      Words(report),
      (Strings{"1002: holes: 412 px, largest near x 510, y 305",
               "1004: specks: 70 px (median 20), largest near x 0, y 0",
               "1006: 34 % of the matte is soft (median 10 %)", "1008: edge flicker 0.120, hardly any elsewhere",
               "1010-1011: the edge jumps between them, 4.0 times the shot's median",
               "1013: screen colour left in 99 px", "1015: screen colour left in the edge, 4.0 times the shot's median",
               "1017: clipped: 40 px", "1019: below 0: 80 px (median 3)", "1022: the matte is empty"}));
}

TEST(FramesToLookAt, AFrameThatFlickersOrIsEmptyIsNotToldOfAgainAsAJump) {
  PassReport report = Usual();
  At(&report, 1008)->set_flicker(0.5);
  At(&report, 1008)->set_jump(0.6);
  At(&report, 1009)->set_jump(0.6);
  At(&report, 1015)->set_covered_pixels(0);
  At(&report, 1016)->set_jump(0.9);
  const std::vector<Finding> found = FramesToLookAt(report, {});
  ASSERT_EQ(found.size(), 2u);
  EXPECT_EQ(found[0].kind(), Finding::FLICKER);
  EXPECT_EQ(found[1].kind(), Finding::EMPTY);
}

// A core is solid or it isn't: a pixel more than usual is worth a look, and so is
// the usual.
TEST(FramesToLookAt, WhereTheMatteIsGivenAnyPixelCounts) {
  PassReport report = Usual();
  for (int f = kFirst; f < kFirst + kFrames; ++f)
    At(&report, f)->set_hole_pixels(0), At(&report, f)->set_speck_pixels(0);
  At(&report, 1003)->set_hole_pixels(1);
  At(&report, 1007)->set_speck_pixels(2);
  EXPECT_EQ(Words(report), Strings{});
  EXPECT_EQ(Words(report, {"core", "garbage"}),
            (Strings{"1003: not solid inside `core`: 1 px, largest near x 0, y 0",
                     "1007: not clear inside `garbage`: 2 px, largest near x 0, y 0"}));
  for (int f = kFirst; f < kFirst + kFrames; ++f) At(&report, f)->set_hole_pixels(30);
  At(&report, 1003)->set_hole_pixels(90);
  EXPECT_EQ(Words(report, {"core", ""}),
            (Strings{"1001-1024: not solid inside `core`: 30 px in the median frame",
                     "1003: not solid inside `core`: 90 px (median 30), largest near x 0, y 0"}));
}

TEST(FramesToLookAt, WhatWasNotMeasuredIsNotJudged) {
  PassReport report = Usual();
  for (int f = kFirst; f < kFirst + kFrames; ++f) {
    At(&report, f)->clear_flicker();
    At(&report, f)->clear_jump();
    At(&report, f)->clear_spill_pixels();
    At(&report, f)->clear_edge_spill();
  }
  EXPECT_EQ(Words(report), Strings{});
}

// All frames alike, and all of them bad.
TEST(FramesToLookAt, ABadMatteIsBadAlsoWhereNoFrameStandsOut) {
  PassReport report = Usual();
  for (int f = kFirst; f < kFirst + kFrames; ++f) {
    MatteFigures* m = At(&report, f);
    m->set_pixels(100'000);
    m->set_covered_pixels(98'000);
    m->set_soft_pixels(89'000);
    m->set_hole_pixels(1500);
    m->set_speck_pixels(800);
    m->set_spill_pixels(96'000);
    m->set_edge_spill(0.08);
  }
  EXPECT_EQ(Words(report),
            (Strings{"1001-1024: in the whole shot, 91 % of the matte is soft: hardly anything is solid",
                     "1001-1024: in the whole shot, 98 % of the picture is covered, and much of that is soft: a veil "
                     "lies over the bare screen",
                     "1001-1024: in the whole shot, 2 % of the matte is holes",
                     "1001-1024: in the whole shot, 1 % of the picture is specks",
                     "1001-1024: in the whole shot, 98 % of what is covered has screen colour left",
                     "1001-1024: in the whole shot, 0.080 of screen colour is left in the edge"}));
}

// A body that fills the picture is no veil.
TEST(FramesToLookAt, ASolidPictureIsNoVeil) {
  PassReport report = Usual();
  for (int f = kFirst; f < kFirst + kFrames; ++f) {
    At(&report, f)->set_pixels(At(&report, f)->covered_pixels());
  }
  EXPECT_EQ(Words(report), Strings{});
}

}  // namespace
}  // namespace selvage::client
