// What is rendered again after a change, and what is not: real daemon, real
// workers, real client.
#include <cstdlib>

#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

constexpr int kFrames = 6;

class Reuse : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    stack_ = studio_.WriteStack("small.stack", SmallStack(kFrames));
    first_ = studio_.Submit(stack_);
  }
  Studio studio_{kFrames};
  std::string stack_;
  JobProgress first_;
};

TEST_F(Reuse, UnchangedResubmissionRendersNothing) {
  EXPECT_GT(Sum(first_).rendered, 0u);
  const JobProgress again = studio_.Submit(stack_);
  EXPECT_EQ(again.state(), JOB_DONE);
  EXPECT_EQ(Sum(again).rendered, 0u);
}

TEST_F(Reuse, LateTweakRendersThatPassAndWhatHangsFromIt) {
  JobProgress p = studio_.Submit(stack_, {"warm.grade.gain=1.1,1,0.9"});
  EXPECT_EQ(OfPass(p, "warm").rendered, kFrames);
  EXPECT_EQ(OfPass(p, "final").rendered, kFrames);
  EXPECT_EQ(OfPass(p, "deliver comp").rendered, kFrames);
  // What it reads was handed on in memory, and is kept from now on.
  EXPECT_EQ(OfPass(p, "front").rendered, kFrames);
  EXPECT_EQ(Sum(p).rendered, 4u * kFrames);
  p = studio_.Submit(stack_, {"warm.grade.gain=1.2,1,0.9"});
  EXPECT_EQ(OfPass(p, "front").rendered, 0u);
  EXPECT_EQ(Sum(p).rendered, 3u * kFrames);
}

TEST_F(Reuse, KeyFrameThatMovesLeavesFramesWithTheSameValueAlone) {
  // Frames 1001-1003 keep the value 0, whatever the last key frame says.
  const JobProgress p = studio_.Submit(stack_, {"warm.grade.stops@1006=0.8"});
  EXPECT_EQ(OfPass(p, "warm").rendered, kFrames - 3u);
  EXPECT_EQ(OfPass(p, "deliver comp").rendered, kFrames - 3u);
  EXPECT_EQ(OfPass(p, "front").rendered, kFrames - 3u) << "what it reads is kept from now on";
  EXPECT_EQ(Sum(p).rendered, 4u * (kFrames - 3));
}

TEST_F(Reuse, NamesAndNotesAndOrderChangeNothing) {
  std::string text = SmallStack(kFrames);
  for (std::string::size_type at; (at = text.find("\"warm\"")) != std::string::npos;) text.replace(at, 6, "\"sunny\"");
  const JobProgress p =
      studio_.Submit(studio_.WriteStack("renamed.stack", text + "note: \"director likes it warm\"\n"));
  EXPECT_EQ(Sum(p).rendered, 0u);
}

TEST_F(Reuse, InvalidatedPassIsRenderedAgainAndTheRestIsCutOff) {
  const auto before = studio_.Fetch("before");
  const Finished f = studio_.Client({"invalidate", stack_, "core", "--frames", "1002-1003"});
  ASSERT_EQ(f.exit_code, 0) << f.err;
  const JobProgress p = studio_.Submit(stack_);
  // Two frames of each segment of the pass; its pixels come out the same, so
  // nothing below it is rendered.
  EXPECT_EQ(OfPass(p, "core").rendered % 2, 0u);
  EXPECT_GE(OfPass(p, "core").rendered, 2u);
  EXPECT_EQ(Sum(p).rendered, OfPass(p, "core").rendered);
  EXPECT_EQ(Differences(studio_.Fetch("after"), before), "");
}

TEST_F(Reuse, InvalidationHoldsAcrossARestart) {
  ASSERT_EQ(studio_.Client({"invalidate", stack_, "core"}).exit_code, 0);
  studio_.KillDaemon();
  studio_.Start();
  const JobProgress p = studio_.Submit(stack_);
  EXPECT_GE(OfPass(p, "core").rendered, static_cast<uint64_t>(kFrames));
}

TEST_F(Reuse, PlateReplacedOnDiskIsNeverShownStale) {
  const auto before = studio_.Fetch("before");
  studio_.DrawPlate(1004, 0.5f);
  const JobProgress p = studio_.Submit(stack_);
  EXPECT_EQ(OfPass(p, "degrained").rendered, 3u) << "frames 1003 to 1005 see frame 1004";
  const auto after = studio_.Fetch("after");
  EXPECT_NE(after.at("comp/comp.1004.exr"), before.at("comp/comp.1004.exr"));
  EXPECT_EQ(after.at("comp/comp.1001.exr"), before.at("comp/comp.1001.exr"));
}

TEST_F(Reuse, PlanSaysWhatSubmitThenDoes) {
  Finished f = studio_.Client({"plan", stack_});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_NE(f.out.find("0 tasks to render"), std::string::npos) << f.out;
  f = studio_.Client({"--json", "plan", stack_, "--set", "warm.grade.gain=1.2"});
  EXPECT_NE(f.out.find("\"pass\": \"warm\""), std::string::npos) << f.out;
  const JobProgress p = studio_.Submit(stack_, {"warm.grade.gain=1.2"});
  size_t planned = 0;
  for (size_t at = 0; (at = f.out.find("\"render\": ", at)) != std::string::npos; at += 10) {
    planned += static_cast<size_t>(std::atoi(f.out.c_str() + at + 10));
  }
  EXPECT_EQ(Sum(p).rendered, planned);
}

TEST_F(Reuse, WarmRestartServesFromDisk) {
  const auto before = studio_.Fetch("before");
  EXPECT_EQ(studio_.Stop(), 0) << "SIGTERM ends the daemon cleanly within 10 s";
  studio_.Start();
  const JobProgress p = studio_.Submit(stack_);
  EXPECT_EQ(Sum(p).rendered, 0u);
  EXPECT_EQ(Differences(studio_.Fetch("after"), before), "");
}

}  // namespace
}  // namespace selvage::e2e
