// Results that are handed on in memory: what the daemon keeps of them, over the network.
#include <atomic>
#include <map>
#include <optional>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "google/protobuf/text_format.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

class Bundles : public ::testing::Test {
 protected:
  Bundles() { Use(false); }
  void Use(bool all) {
    d_.options.storing.all = all;
    d_.Restart();
  }
  // plate -> key -> mid -> hard -> deliver matte.
  Stack ThreePasses(int frames = 3, double black = 0.2) {
    Stack stack = d_.TwoPasses(frames, black);
    Pass mid;
    EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(
        R"(name: "mid" from: "key" step { soften { sigma { value: 1 } } })", &mid));
    *stack.add_pass() = mid;
    stack.mutable_pass()->SwapElements(1, 2);
    stack.mutable_pass(2)->set_from("mid");
    return stack;
  }
  std::map<std::string, int> Stored() {
    std::map<std::string, int> stored;
    const auto names = d_.cache().index->FindNames("shot", "");
    for (const NameRecord& n : *names) {
      const auto record = d_.cache().index->Find({&n.key, 1})->front();
      if (record && record->stored()) ++stored[n.pass];
    }
    return stored;
  }
  // What a worker did since the last call.
  std::map<std::string, int> News(const FakeWorker& w) {
    std::map<std::string, int> news;
    for (const auto& [pass, count] : w.counts()) {
      if (pass.rfind("plate ", 0) != 0 && count != seen_[pass]) news[pass] = count - seen_[pass];
    }
    seen_ = w.counts();
    return news;
  }
  using Counts = std::map<std::string, int>;

  Daemon d_;
  std::map<std::string, int> seen_;
};

TEST_F(Bundles, AreRenderedAsOneAndKnownResultByResult) {
  FakeWorker w(d_.Channel(), "w");
  const JobProgress p = d_.Run(ThreePasses());
  ASSERT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(News(w), (Counts{{"key", 3}, {"mid", 3}, {"hard", 3}, {"deliver matte", 3}}));
  for (const char* pass : {"key", "mid", "hard", "deliver matte"}) EXPECT_EQ(Line(p, pass)->rendered(), 3u) << pass;
  EXPECT_EQ(Stored(), (Counts{{"deliver matte", 3}}));
  EXPECT_EQ(d_.cache().stats().tiles, 3 + 1u) << "chunks of the files, of which one is the same in all";
  const std::string file = d_.Fetch(p.job_id(), 2);
  ASSERT_FALSE(file.empty());
  // The same bytes where all is stored.
  Daemon all;
  FakeWorker other(all.Channel(), "other");
  Stack stack = ThreePasses();
  stack.mutable_plate(0)->set_files(all.file("plate.%04d.exr"));
  stack.mutable_deliver(0)->set_files(all.file("out.%04d.exr"));
  const JobProgress q = all.Run(stack);
  EXPECT_EQ(Rendered(q), 12u);
  EXPECT_EQ(all.Fetch(q.job_id(), 2), file);
}

TEST_F(Bundles, NothingIsRenderedTwiceForTheSameRequest) {
  FakeWorker w(d_.Channel(), "w");
  d_.Run(ThreePasses());
  News(w);
  const JobProgress p = d_.Run(ThreePasses());
  EXPECT_EQ(Rendered(p), 0u);
  EXPECT_EQ(Reused(p), 12u);
  EXPECT_EQ(News(w), Counts{});
}

TEST_F(Bundles, ThePassThatIsWorkedOnBeginsFromStoredInputsTheSecondTime) {
  FakeWorker w(d_.Channel(), "w");
  d_.Run(ThreePasses());
  News(w);
  const PlanReply plan = d_.Plan(ThreePasses(3, 0.3));
  std::map<std::string, std::string> planned;
  for (const PassPlan& pass : plan.pass()) {
    planned[pass.pass()] = absl::StrCat(pass.render(), pass.storing_size() > 0 ? " " + pass.storing(0).why() : "");
  }
  EXPECT_EQ(planned.at("key"), "0");
  EXPECT_EQ(planned.at("mid"), "3 working edge");
  EXPECT_EQ(planned.at("hard"), "3 handed on in memory");
  // First: what it reads is rendered once more, and kept.
  JobProgress p = d_.Run(ThreePasses(3, 0.3));
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(News(w), (Counts{{"known key", 3}, {"mid", 3}, {"hard", 3}, {"deliver matte", 3}}));
  EXPECT_EQ(Line(p, "key")->rendered(), 0u);
  EXPECT_EQ(Stored(), (Counts{{"mid", 3}, {"deliver matte", 3}}));
  // Then: it starts right there.
  p = d_.Run(ThreePasses(3, 0.4));
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(News(w), (Counts{{"hard", 3}, {"deliver matte", 3}}));
  // And so it does after a change of something else.
  Stack reshot = ThreePasses(3, 0.4);
  reshot.mutable_pass(0)->mutable_step(0)->mutable_color_difference()->mutable_amount()->set_value(0.5);
  p = d_.Run(reshot);
  EXPECT_EQ(News(w), (Counts{{"key", 3}, {"mid", 3}, {"hard", 3}, {"deliver matte", 3}}));
  EXPECT_EQ(Stored(), (Counts{{"mid", 3}, {"deliver matte", 3}}));
}

TEST_F(Bundles, AStepThatSaysNoIsBlamedByItsOwnPass) {
  FakeWorker w(d_.Channel(), "w", 2, [](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.inner_size() == 0) return std::nullopt;
    TaskOutcome o;
    o.mutable_error()->set_message("no screen in it");
    o.mutable_error()->set_inner_key(spec.inner(1).key());
    return o;
  });
  const JobProgress p = d_.Run(ThreePasses(1));
  EXPECT_EQ(p.state(), JOB_FAILED);
  ASSERT_EQ(p.problem_size(), 1) << p.DebugString();
  EXPECT_NE(p.problem(0).find("mid"), std::string::npos) << p.problem(0);
  EXPECT_EQ(Line(p, "mid")->failed(), 1u);
  EXPECT_EQ(Line(p, "deliver matte")->failed(), 1u);
  EXPECT_EQ(Line(p, "key")->failed(), 0u);
}

TEST_F(Bundles, AStoredInputBelowThatIsLostIsRenderedAgain) {
  Stack stack = ThreePasses(1);
  stack.mutable_pass(0)->set_keep(Pass::ALWAYS);
  std::atomic<int> lost{0};
  FakeWorker w(d_.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "deliver matte" || lost > 0) return std::nullopt;
    ++lost;
    EXPECT_TRUE(d_.cache().tiles->Delete(StoredDigests(spec.inner(0).input(0).stored())).ok());
    TaskOutcome o;
    o.mutable_error()->set_class_(TaskError::INPUT_LOST);
    o.mutable_error()->set_inner_key(spec.inner(0).key());
    return o;
  });
  const JobProgress p = d_.Run(stack);
  EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(w.counts()["key"], 2);
}

TEST_F(Bundles, AWorkersInvalidationReachesWhatItHandedOn) {
  {
    FakeWorker sick(d_.Channel(), "sick:1");
    d_.Run(ThreePasses(1));
  }
  InvalidateRequest request;
  request.set_worker("sick");
  InvalidateReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(d_.jobs().Invalidate(&context, request, &reply).ok());
  EXPECT_EQ(reply.results(), 4u);
  FakeWorker well(d_.Channel(), "well:1");
  EXPECT_EQ(Rendered(d_.Run(ThreePasses(1))), 4u);
}

TEST_F(Bundles, AResultThatIsNoPictureOrOfAnotherSizeIsRefusedWithAllThatCameAlong) {
  std::atomic<int> forged{0};
  FakeWorker w(d_.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.inner_size() == 0 || forged > 0) return std::nullopt;
    ++forged;
    TaskOutcome o;
    o.mutable_manifest()->set_kind(BLOB);
    TaskOutcome* inner = o.add_inner();
    inner->set_key(spec.inner(0).key());
    Manifest* m = inner->mutable_manifest();
    m->set_kind(MATTE);
    m->mutable_window()->set_width(8);
    m->mutable_window()->set_height(8);
    m->add_channel("A");
    AppendTile(m, {.constant = true});
    return o;
  });
  const JobProgress p = d_.Run(ThreePasses(1));
  EXPECT_EQ(forged, 1);
  EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(w.counts()["key"], 2) << "the forged one, and the one that was taken";
}

TEST_F(Bundles, WhatWasStoredByAnOlderDaemonStaysInUse) {
  Use(true);
  {
    FakeWorker w(d_.Channel(), "w");
    d_.Run(ThreePasses());
  }
  EXPECT_EQ(Stored(), (Counts{{"key", 3}, {"mid", 3}, {"hard", 3}, {"deliver matte", 3}}));
  Use(false);
  FakeWorker w(d_.Channel(), "w");
  const JobProgress p = d_.Run(ThreePasses(3, 0.3));
  EXPECT_EQ(p.state(), JOB_DONE);
  EXPECT_EQ(News(w), (Counts{{"hard", 3}, {"deliver matte", 3}}));
}

}  // namespace
}  // namespace selvage
