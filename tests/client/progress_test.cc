#include "client/progress.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "absl/strings/str_split.h"
#include "client/estimate.h"
#include "client/output.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;

constexpr std::optional<Window> kNoWindow;

TEST(Output, TablesAlignAndNumbersStandRight) {
  EXPECT_EQ(Table({"pass", "render"}, {{"core", "7"}, {"boots_edge", "12"}}),
            "pass        render\n"
            "core             7\n"
            "boots_edge      12\n");
}

TEST(Output, FramesAreShownAsRanges) {
  google::protobuf::RepeatedField<int32_t> frames;
  for (int f : {1003, 1001, 1002, 1010, 1001}) frames.Add(f);
  EXPECT_EQ(FrameList(frames), "1001-1003, 1010");
}

TEST(Progress, PlainOutputIsALineEveryTwoSecondsAndATableAtTheEnd) {
  ProgressDisplay display(false);
  JobProgress p;
  p.set_stack_name("s");
  p.set_state(JOB_RUNNING);
  p.set_workers(1);
  auto* pass = p.add_pass();
  pass->set_pass("core");
  pass->set_total(10);
  pass->set_rendered(4);
  pass->set_reused(1);
  p.set_seconds(1);
  const std::string first = display.Update(p, kNoWindow);
  for (const char* part : {"5 of 10 tasks", "4 rendered", "1 reused"}) EXPECT_THAT(first, HasSubstr(part));
  pass->set_tiles_rendered(3);
  pass->set_tiles_reused(37);
  p.set_seconds(2);
  EXPECT_EQ(display.Update(p, kNoWindow), "");
  p.set_seconds(3.5);
  EXPECT_NE(display.Update(p, kNoWindow), "");
  pass->set_failed(5);
  p.set_state(JOB_FAILED);
  p.set_seconds(9);
  EXPECT_EQ(display.Update(p, kNoWindow), "") << "the end is said once, by Final";
  p.add_problem("pass \"core\" frame 1007: why");
  const std::string last = display.Final(p, kNoWindow);
  EXPECT_THAT(last, HasSubstr("[################] 10/10"));
  EXPECT_THAT(last, HasSubstr("4 rendered  3 of 40 tiles  1 reused"));
  EXPECT_THAT(last, HasSubstr("problem: pass \"core\" frame 1007: why"));
}

JobProgress Running(int passes) {
  JobProgress p;
  p.set_stack_name("apiary_010");
  p.set_state(JOB_RUNNING);
  p.set_workers(2);
  p.set_seconds(605);
  p.set_seconds_left(125);
  for (int i = 0; i < passes; ++i) {
    PassProgress* pass = p.add_pass();
    pass->set_pass("pass_" + std::to_string(i));
    pass->set_total(1000);
    pass->set_rendered(321);
    pass->set_reused(45);
    pass->set_tiles_rendered(12345);
    pass->set_tiles_reused(54321);
    pass->set_mean_seconds(0.12);
  }
  p.mutable_pass(passes - 1)->set_pass("deliver comp");
  p.mutable_pass(passes - 1)->set_running(2);
  return p;
}

TEST(Progress, TheTimeLeftIsSeenInAnyWindow) {
  const JobProgress p = Running(43);
  for (size_t columns : {60u, 80u, 100u, 200u}) {
    const std::string line = Headline(p, columns);
    EXPECT_LE(line.size(), columns);
    EXPECT_THAT(line, HasSubstr("2 min 05 s left"));
    EXPECT_LE(PassLine(p.pass(42), 12, columns).size(), columns);
    EXPECT_THAT(PassLine(p.pass(42), 12, columns), HasSubstr("2 running"));
  }
  EXPECT_THAT(Headline(p, 200), HasSubstr("10 min 05 s"));
  // Also where nothing else fits.
  for (size_t columns = 16; columns < 60; ++columns) {
    EXPECT_LE(Headline(p, columns).size(), columns);
    EXPECT_THAT(Headline(p, columns), HasSubstr("2 min 05 s left")) << columns;
  }
}

TEST(Progress, WhatIsExpectedIsSaidOnceAndHeldAgainstWhatItTook) {
  JobProgress p = Running(2);
  p.mutable_estimate()->set_tasks(2000);
  p.mutable_estimate()->set_slots(4);
  p.mutable_estimate()->set_seconds(700);
  for (const bool live : {false, true}) {
    const std::optional<Window> window = live ? std::optional<Window>(Window{24, 80}) : std::nullopt;
    ProgressDisplay display(live);
    EXPECT_THAT(display.Update(p, window), StartsWith("time: about 11 min 40 s on 4 slots\n"));
    JobProgress later = p;
    later.set_seconds(700);
    EXPECT_THAT(display.Update(later, window), Not(HasSubstr("time:")));
    later.set_state(JOB_DONE);
    later.set_render_seconds(721);
    EXPECT_THAT(display.Final(later, window), HasSubstr("took 12 min 01 s, about 11 min 40 s were expected\n"));
  }
}

TEST(Estimates, SayWhatIsNotKnown) {
  Estimate e;
  EXPECT_EQ(InWords(e), "nothing to render");
  e.set_tasks(10);
  EXPECT_EQ(InWords(e), "not known: no worker is connected");
  e.set_slots(1);
  EXPECT_EQ(InWords(e), "not known: nothing like it was rendered here yet");
  e.set_seconds(12);
  EXPECT_EQ(InWords(e), "about 12.0 s on 1 slot");
  e.set_other_size(true);
  e.set_unmeasured(3);
  e.add_unmeasured_step("unmix");
  EXPECT_EQ(InWords(e),
            "more than 12.0 s on 1 slot, from tasks of another size: 3 of 10 tasks do what was not "
            "rendered here yet (unmix)");
}

TEST(Progress, LiveOutputRedrawsInPlaceAndFitsTheWindow) {
  ProgressDisplay display(true);
  const JobProgress p = Running(43);
  const Window window{10, 60};
  const std::string first = display.Update(p, window);
  EXPECT_THAT(first, Not(HasSubstr("\x1b[")));
  EXPECT_EQ(std::count(first.begin(), first.end(), '\n'), 9) << first;
  EXPECT_THAT(first, HasSubstr("deliver comp")) << "what runs comes first";
  EXPECT_THAT(first, HasSubstr("and 36 more"));
  for (absl::string_view line : absl::StrSplit(first, '\n')) EXPECT_LT(line.size(), 60u) << line;
  EXPECT_THAT(display.Update(p, window), StartsWith("\r\x1b[9A\x1b[J")) << "goes up over what it drew";
}

TEST(Progress, ANarrowerWindowHasBrokenTheLines) {
  ProgressDisplay display(true);
  const JobProgress p = Running(3);
  const std::string wide = display.Update(p, Window{40, 100});
  int rows = 0;
  for (absl::string_view line : absl::StrSplit(wide, '\n')) rows += static_cast<int>((line.size() + 49) / 50);
  EXPECT_GT(rows, 4);
  EXPECT_THAT(display.Update(p, Window{40, 50}), StartsWith("\r\x1b[" + std::to_string(rows) + "A\x1b[J"));
}

TEST(Progress, TheEndShowsEveryPassAndDeliverableInASmallWindow) {
  ProgressDisplay display(true);
  JobProgress p = Running(43);
  display.Update(p, Window{24, 80});
  p.set_state(JOB_DONE);
  const std::string last = display.Final(p, Window{24, 80});
  for (const PassProgress& pass : p.pass()) EXPECT_THAT(last, HasSubstr("  " + pass.pass() + " "));
}

}  // namespace
}  // namespace selvage::client
