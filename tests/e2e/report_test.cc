// `selvage report` with a real daemon.
#include <google/protobuf/util/json_util.h>

#include "proto/report.pb.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

template <class Message>
Message FromJson(const Finished& f) {
  Message m;
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_TRUE(google::protobuf::util::JsonStringToMessage(f.out, &m).ok()) << f.out;
  return m;
}

class ReportCommand : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    stack_ = studio_.WriteStack("small.stack", SmallStack(4));
    job_ = studio_.Submit(stack_).job_id();
  }
  ShotReport Figures(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), {"report", "--json"});
    return FromJson<ShotReport>(studio_.Client(arguments));
  }
  uint64_t Misses() const { return FromJson<CacheInfoReply>(studio_.Client({"cache", "--json"})).misses(); }
  std::string Refusal(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), "report");
    const Finished f = studio_.Client(arguments);
    EXPECT_EQ(f.exit_code, 1) << f.out;
    EXPECT_EQ(f.out, "");
    return f.err;
  }
  Studio studio_{4};
  std::string stack_, job_;
};

TEST_F(ReportCommand, MeasuresTheForegroundAndTheMattesThatAreDelivered) {
  const ShotReport report = Figures({});
  EXPECT_EQ(report.stack_name(), "small");
  ASSERT_EQ(report.pass_size(), 2);
  EXPECT_EQ(report.pass(0).pass(), "front");
  EXPECT_EQ(report.pass(1).pass(), "core");
  for (const PassReport& pass : report.pass()) {
    ASSERT_EQ(pass.frame_size(), 4);
    for (int i = 0; i < 4; ++i) {
      const MatteFigures& f = pass.frame(i).figures();
      EXPECT_EQ(pass.frame(i).frame(), 1001 + i);
      EXPECT_EQ(f.pixels(), 300u * 200);
      EXPECT_GT(f.covered_pixels(), 0u);
      EXPECT_LT(f.covered_pixels(), f.pixels());
      EXPECT_EQ(f.has_jump(), i > 0);
      EXPECT_EQ(f.has_flicker(), i > 0 && i < 3);
      // Only a picture has colour.
      EXPECT_EQ(f.has_spill_pixels(), pass.pass() == "front");
    }
  }
  // The foreground's alpha is the matte.
  const ShotReport matte = Figures({stack_, "matte"});
  ASSERT_EQ(matte.pass_size(), 1);
  for (int i = 0; i < 4; ++i) {
    const MatteFigures &a = matte.pass(0).frame(i).figures(), &b = report.pass(0).frame(i).figures();
    EXPECT_EQ(a.soft_pixels(), b.soft_pixels());
    EXPECT_EQ(a.hole_pixels(), b.hole_pixels());
    EXPECT_EQ(a.flicker(), b.flicker());
  }
}

TEST_F(ReportCommand, ASecondReportRendersNothing) {
  const Finished first = studio_.Client({"report", job_});
  EXPECT_EQ(first.exit_code, 0) << first.err;
  const uint64_t misses = Misses();
  const Finished second = studio_.Client({"report", job_});
  EXPECT_EQ(second.out, first.out);
  EXPECT_EQ(Misses(), misses);
  for (const char* part : {"front\n", "core\n", " 1004 ", "holes", "edge spill"}) EXPECT_SAYS(first.out, part);
  EXPECT_TRUE(first.out.find("Nothing stands out.\n") != std::string::npos ||
              first.out.find("Frames to look at:\n") != std::string::npos);
}

// A piece cut out of the matte at one frame, well inside the figure.
TEST_F(ReportCommand, AHoleIsNamedWithItsFrame) {
  const std::string cut = studio_.WriteStack("cut.stack", SmallStack(4) + R"(
mask {
  name: "piece"
  shape {
    path: "M 100 100 L 112 100 L 112 110 L 100 110 Z"
    opacity { at { frame: 1002 value: 0 } at { frame: 1003 value: 1 } at { frame: 1004 value: 0 } ease: HOLD }
  }
}
mask { name: "inner" shape { path: "M 90 90 L 120 90 L 120 120 L 90 120 Z" } }
pass { name: "cut" from: "matte" step { without { mask: "piece" } } })");
  const Finished f = studio_.Client({"report", cut, "cut", "--core", "inner"});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_SAYS(f.out, "  cut 1003: not solid inside `inner`: 120 px, largest near x 106, y 105\n");
  EXPECT_EQ(f.out.find("solid inside", f.out.find("solid inside") + 1), std::string::npos) << f.out;
}

TEST_F(ReportCommand, SaysWhatIsWrong) {
  EXPECT_SAYS(Refusal({"no-such-job"}), "there is no job \"no-such-job\"");
  EXPECT_SAYS(Refusal({"missing.stack"}), "there is no such stack file");
  EXPECT_SAYS(Refusal({stack_, "nowhere"}), "nowhere");
  EXPECT_SAYS(Refusal({stack_, "matte", "--core", "meadow"}), "core: \"meadow\" is opaque colour, needs a matte");
  EXPECT_SAYS(Refusal({stack_, "matte", "--clip", "-1"}), "clip: -1 is out of range, allowed 0 to 65504");
  EXPECT_SAYS(Refusal({stack_, "--frames", "1000-1002"}), "--frames 1000-1002 are not all in the stack's 1001-1004");
  EXPECT_SAYS(Refusal({job_, "--set", "core.choke.pixels=2"}), "change a stack file for this run, not a job");
  EXPECT_EQ(studio_.Client({"report", stack_, "--screen", "red"}).exit_code, 2);
}

}  // namespace
}  // namespace selvage::e2e
