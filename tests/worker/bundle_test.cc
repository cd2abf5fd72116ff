// A task with what comes along in memory, against the same tasks one by one over a store.
#include <gtest/gtest.h>

#include <chrono>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include "cache/manifest.h"
#include "cache/memory_tile_store.h"
#include "cache/verifying_tile_store.h"
#include "tests/testing/op_tester.h"
#include "worker/picture/window.h"
#include "worker/run/executor.h"
#include "worker/run/result_writer.h"

namespace selvage::worker {
namespace {

const auto kGoOn = [] { return false; };
const Rect kFormat{0, 0, 600, 300};
constexpr int kTiles = 6;

class BundleTest : public ::testing::Test {
 protected:
  BundleTest() : plate_(Store(MakePicture(OPAQUE, kFormat))) {}

  static TaskSpec Task(const std::string& pass, const std::vector<std::string>& steps, double black = 0.1) {
    TaskSpec task;
    task.set_key(Sha256(pass).str());
    task.mutable_format()->set_width(kFormat.width());
    task.mutable_format()->set_height(kFormat.height());
    task.set_pass(pass);
    task.set_frame(1001);
    task.set_tile_recipe(Sha256(pass + std::to_string(black)).str());
    for (const std::string& s : steps) *task.add_step() = MakeStep(s);
    if (task.step(0).has_levels()) task.mutable_step(0)->mutable_levels()->mutable_black()->set_value(black);
    return task;
  }
  static TaskInput* AddInput(TaskSpec* task, int step, const std::string& port) {
    TaskInput* input = task->add_input();
    input->set_step(step);
    input->set_port(port);
    input->set_name(port);
    return input;
  }
  // key -> hard (levels) -> soft, and what is delivered: soft over key.
  struct Shot {
    TaskSpec key, hard, soft, both;
  };
  Shot MakeShot(double black = 0.1) const {
    Shot s{Task("key", {"luma_range { low { value: 0.2 } low_full { value: 0.8 } }"}),
           Task("hard", {"levels {}"}, black), Task("soft", {"soften { sigma { value: 3 } }"}),
           Task("both", {"combine { with: 'k' amount { value: 0.5 } }"})};
    *AddInput(&s.key, -1, "in")->mutable_stored() = plate_;
    AddInput(&s.hard, -1, "in");
    AddInput(&s.soft, -1, "in");
    AddInput(&s.both, -1, "in");
    AddInput(&s.both, 0, "with");
    return s;
  }
  // One after the other; outcomes by pass.
  std::map<std::string, TaskOutcome> OneByOne(Shot s) {
    std::map<std::string, TaskOutcome> outcomes;
    const auto run = [&](const TaskSpec& task) {
      outcomes[task.pass()] = executor_.Run(task, kGoOn);
      EXPECT_TRUE(outcomes[task.pass()].has_manifest()) << outcomes[task.pass()].ShortDebugString();
      return outcomes[task.pass()].manifest();
    };
    const Manifest key = run(s.key);
    *s.hard.mutable_input(0)->mutable_stored() = key;
    *s.soft.mutable_input(0)->mutable_stored() = run(s.hard);
    *s.both.mutable_input(0)->mutable_stored() = run(s.soft);
    *s.both.mutable_input(1)->mutable_stored() = key;
    run(s.both);
    return outcomes;
  }
  static TaskSpec Bundle(Shot s) {
    s.hard.mutable_input(0)->set_inner(0);
    s.soft.mutable_input(0)->set_inner(1);
    s.both.mutable_input(0)->set_inner(2);
    s.both.mutable_input(1)->set_inner(0);
    for (const TaskSpec& inner : {s.key, s.hard, s.soft}) *s.both.add_inner() = inner;
    return s.both;
  }
  Manifest Store(const Picture& picture) {
    DecodedCache memory(0);
    ResultWriter writer(store_, &memory);
    writer.BeginPicture(picture.kind, picture.rect(), false);
    EXPECT_TRUE(writer.Add(picture).ok());
    const Manifest manifest = *writer.Finish();
    EXPECT_TRUE(writer.Store().ok());
    return manifest;
  }
  static void After(const TaskOutcome& earlier, TaskSpec* task) {
    *task->mutable_earlier()->mutable_manifest() = earlier.manifest();
    task->mutable_earlier()->set_tile_keys(earlier.tile_keys());
  }

  std::shared_ptr<MemoryTileStore> store_ = std::make_shared<MemoryTileStore>();
  Executor executor_{std::make_shared<VerifyingTileStore>(store_), {.memory_bytes = 0}};
  const Manifest plate_;
};

TEST_F(BundleTest, GivesWhatItsTasksGiveOneByOneAndStoresOnlyTheLast) {
  const TaskOutcome bundle = executor_.Run(Bundle(MakeShot()), kGoOn);
  ASSERT_TRUE(bundle.has_manifest()) << bundle.ShortDebugString();
  EXPECT_EQ(store_->count(), StoredDigests(plate_).size() + StoredDigests(bundle.manifest()).size());
  const auto single = OneByOne(MakeShot());
  ASSERT_EQ(bundle.inner_size(), 3);
  for (int i = 0; i < 3; ++i) {
    const TaskOutcome& other = single.at(std::vector<std::string>{"key", "hard", "soft"}[i]);
    EXPECT_EQ(bundle.inner(i).key(), other.key());
    EXPECT_EQ(ContentDigest(bundle.inner(i).manifest()), ContentDigest(other.manifest())) << i;
    EXPECT_EQ(bundle.inner(i).tile_keys(), other.tile_keys()) << i;
    EXPECT_EQ(bundle.inner(i).tiles_rendered(), static_cast<uint32_t>(kTiles));
  }
  EXPECT_EQ(ContentDigest(bundle.manifest()), ContentDigest(single.at("both").manifest()));
  EXPECT_EQ(bundle.tile_keys(), single.at("both").tile_keys());
}

// Spans of all that came along lie one behind another within the whole.
TEST_F(BundleTest, SaysWhatItsTimeWentInto) {
  const auto began = std::chrono::steady_clock::now();
  const TaskOutcome bundle = executor_.Run(Bundle(MakeShot()), kGoOn);
  const auto took = std::chrono::duration_cast<std::chrono::microseconds>(std::chrono::steady_clock::now() - began);
  std::map<std::string, std::set<std::string>> of_task;
  std::map<uint64_t, uint64_t> end_by_start;
  std::map<std::string, uint64_t> bytes;
  const auto note = [&](const std::string& name, const TaskOutcome& outcome) {
    EXPECT_LE(outcome.span_size(), 64);
    uint64_t last = 0;
    for (const Span& span : outcome.span()) {
      EXPECT_GE(span.start_us(), last) << outcome.DebugString();
      last = span.start_us();
      EXPECT_TRUE(end_by_start.emplace(span.start_us(), span.start_us() + span.length_us()).second);
      of_task[name].insert(span.what());
      bytes[name + ": " + span.what()] += span.bytes();
    }
  };
  note("both", bundle);
  for (int i = 0; i < bundle.inner_size(); ++i) note(std::to_string(i), bundle.inner(i));
  uint64_t end = 0;
  for (const auto& [start, until] : end_by_start) {
    EXPECT_GE(start, end) << "spans overlap";
    end = until;
  }
  EXPECT_LE(end, static_cast<uint64_t>(took.count()));
  EXPECT_TRUE(of_task["0"].contains("luma_range"));
  EXPECT_TRUE(of_task["0"].contains("fetch tiles"));
  EXPECT_TRUE(of_task["1"].contains("levels"));
  EXPECT_TRUE(of_task["2"].contains("soften"));
  for (const char* what : {"combine", "hash tiles", "encode tiles", "store tiles"}) {
    EXPECT_TRUE(of_task["both"].contains(what)) << what;
  }
  EXPECT_FALSE(of_task["both"].contains("soften")) << "that is the inner task's";
  // 600 x 300 halves.
  EXPECT_EQ(bytes["both: hash tiles"], 600u * 300 * 2);
  EXPECT_EQ(bytes["both: encode tiles"], 600u * 300 * 2);
  uint64_t stored = 0;
  for (const Digest& digest : StoredDigests(bundle.manifest())) {
    stored += store_->Get({&digest, 1}).value().front()->size();
  }
  EXPECT_EQ(bytes["both: store tiles"], stored);
}

TEST_F(BundleTest, WhatIsKnownIsRenderedForItsPixelsAndSaysNothing) {
  const auto single = OneByOne(MakeShot());
  TaskSpec task = Bundle(MakeShot());
  for (TaskSpec& inner : *task.mutable_inner()) *inner.mutable_known() = single.at(inner.pass()).manifest();
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  ASSERT_TRUE(outcome.has_manifest()) << outcome.ShortDebugString();
  EXPECT_EQ(outcome.inner_size(), 0);
  EXPECT_EQ(outcome.tile_keys(), single.at("both").tile_keys());
  EXPECT_EQ(ContentDigest(outcome.manifest()), ContentDigest(single.at("both").manifest()));
}

TEST_F(BundleTest, WhatIsKnownWronglyIsNotBuiltOn) {
  const auto single = OneByOne(MakeShot());
  TaskSpec task = Bundle(MakeShot());
  *task.mutable_inner(1)->mutable_known() = single.at("soft").manifest();
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  EXPECT_EQ(outcome.error().class_(), TaskError::INFRASTRUCTURE) << outcome.ShortDebugString();
  EXPECT_EQ(outcome.error().inner_key(), task.inner(1).key());
  *task.mutable_inner(1)->mutable_known() = plate_;
  EXPECT_TRUE(executor_.Run(task, kGoOn).has_error()) << "of another kind";
}

// The wave stops inside the bundle: what comes out the same changes nothing further on.
TEST_F(BundleTest, TilesOfEarlierResultsAreReusedWithoutTheirBytes) {
  const TaskOutcome before = executor_.Run(Bundle(MakeShot()), kGoOn);
  ASSERT_TRUE(before.has_manifest());
  TaskSpec task = Bundle(MakeShot());
  // As after an invalidation.
  task.mutable_inner(0)->set_tile_recipe(Sha256("another epoch").str());
  for (int i = 0; i < 3; ++i) After(before.inner(i), task.mutable_inner(i));
  After(before, &task);
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  ASSERT_TRUE(outcome.has_manifest()) << outcome.ShortDebugString();
  EXPECT_EQ(outcome.inner(0).tiles_rendered(), static_cast<uint32_t>(kTiles));
  EXPECT_EQ(outcome.inner(1).tiles_rendered(), 0u);
  EXPECT_EQ(outcome.inner(2).tiles_rendered(), 0u);
  EXPECT_EQ(outcome.tiles_rendered(), 0u);
  EXPECT_EQ(outcome.tiles_reused(), static_cast<uint32_t>(kTiles));

  // The bytes of the last are gone: it is rendered again, from what has no bytes either.
  ASSERT_TRUE(store_->Delete(StoredDigests(outcome.manifest())).ok());
  const TaskOutcome again = executor_.Run(task, kGoOn);
  ASSERT_TRUE(again.has_manifest()) << again.ShortDebugString();
  EXPECT_EQ(again.inner(2).tiles_rendered(), 0u);
  EXPECT_EQ(again.tiles_rendered(), static_cast<uint32_t>(kTiles));
  EXPECT_EQ(ContentDigest(again.manifest()), ContentDigest(before.manifest()));
}

TEST_F(BundleTest, ALostInputIsBlamedOnTheTaskThatReadsIt) {
  ASSERT_TRUE(store_->Delete({&StoredDigests(plate_)[0], 1}).ok());
  const TaskSpec task = Bundle(MakeShot());
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  EXPECT_EQ(outcome.error().class_(), TaskError::INPUT_LOST) << outcome.ShortDebugString();
  EXPECT_EQ(outcome.error().inner_key(), task.inner(0).key());
  EXPECT_EQ(outcome.error().input(), 0u);
  EXPECT_EQ(outcome.inner_size(), 0);
}

TEST_F(BundleTest, AStepThatSaysNoIsBlamedOnItsTask) {
  TaskSpec task = Bundle(MakeShot());
  task.mutable_inner(1)->clear_step();
  *task.mutable_inner(1)->add_step() = MakeStep("within { mask: 'm' }");
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  EXPECT_TRUE(outcome.has_error());
  EXPECT_EQ(outcome.error().inner_key(), task.inner(1).key());
}

TEST_F(BundleTest, AFileIsReusedWhereNothingItShowsChanged) {
  Shot shot = MakeShot();
  shot.both = Task("deliver", {"deliver_file { type: EXR }"});
  AddInput(&shot.both, -1, "in")->set_inner(2);
  shot.hard.mutable_input(0)->set_inner(0);
  shot.soft.mutable_input(0)->set_inner(1);
  for (const TaskSpec& inner : {shot.key, shot.hard, shot.soft}) *shot.both.add_inner() = inner;
  const TaskOutcome before = executor_.Run(shot.both, kGoOn);
  ASSERT_TRUE(before.has_manifest()) << before.ShortDebugString();
  ASSERT_EQ(before.tile_keys().size(), 32u);
  EXPECT_EQ(before.tiles_reused(), 0u);
  After(before, &shot.both);
  TaskOutcome after = executor_.Run(shot.both, kGoOn);
  EXPECT_EQ(after.tiles_reused(), 1u);
  EXPECT_EQ(ContentDigest(after.manifest()), ContentDigest(before.manifest()));
  // Not where it shows something else, and not without its bytes.
  TaskSpec changed = shot.both;
  changed.mutable_inner(1)->mutable_step(0)->mutable_levels()->mutable_black()->set_value(0.5);
  EXPECT_EQ(executor_.Run(changed, kGoOn).tiles_reused(), 0u);
  ASSERT_TRUE(store_->Delete(StoredDigests(before.manifest())).ok());
  after = executor_.Run(shot.both, kGoOn);
  EXPECT_EQ(after.tiles_reused(), 0u);
  EXPECT_TRUE(store_->FindMissing(StoredDigests(after.manifest()))->empty());
}

}  // namespace
}  // namespace selvage::worker
