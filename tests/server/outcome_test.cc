// Forged and broken results of tasks that were really leased: refused, given to
// another worker, never stored.
#include <cmath>
#include <limits>
#include <thread>

#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "proto/ops/internal.pb.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

constexpr float kNan = std::numeric_limits<float>::quiet_NaN(), kInfinite = std::numeric_limits<float>::infinity();

Manifest Picture(int x, int y, uint32_t width, uint32_t height, float value = 0.5f, Kind kind = MATTE) {
  Manifest m;
  m.set_kind(kind);
  m.mutable_window()->set_x(x);
  m.mutable_window()->set_y(y);
  m.mutable_window()->set_width(width);
  m.mutable_window()->set_height(height);
  for (const char* c : {"R", "G", "B"}) {
    if (kind != MATTE) m.add_channel(c);
  }
  m.add_channel("A");
  const int tiles = TileGrid(m.window()).count() * m.channel_size();
  for (int i = 0; i < tiles; ++i) AppendTile(&m, {.constant = true, .value = value});
  return m;
}

TaskOutcome Outcome(const Manifest& m) {
  TaskOutcome o;
  *o.mutable_manifest() = m;
  o.set_seconds(1);
  return o;
}

// The stack is rendered although the first worker hands in `forged` for "key"
// each time it gets it; what was refused is told.
void ExpectRefused(const std::string& what, const TaskOutcome& forged) {
  SCOPED_TRACE(what);
  Daemon d;
  std::atomic<int> forgeries{0};
  FakeWorker worker(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
    if (spec.pass() != "key" || forgeries++ > 0) return std::nullopt;
    return forged;
  });
  worker.keeps_seconds = true;
  const std::string job = d.Submit(d.TwoPasses(1));
  const JobProgress p = d.WatchToEnd(job);
  EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
  EXPECT_EQ(forgeries, 2) << "the task was rendered again";
  const auto names = d.cache().index->FindNames("shot", "key").value();
  ASSERT_EQ(names.size(), 1u);
  const auto record = d.cache().index->Find({&names[0].key, 1}).value();
  ASSERT_TRUE(record[0]);
  EXPECT_FALSE(GetTile(record[0]->manifest, 0).constant) << "the worker's own, not the forged one";
}

TEST(Outcome, OfAnotherKindPlaceOrSizeIsRefused) {
  ExpectRefused("four channels", Outcome(Picture(0, 0, 64, 64, 0.5f, STRAIGHT)));
  ExpectRefused("1x1", Outcome(Picture(0, 0, 1, 1)));
  ExpectRefused("far away", Outcome(Picture(100'000, 0, 64, 64)));
  ExpectRefused("negative", Outcome(Picture(-64, -64, 64, 64)));
  ExpectRefused("far too large", Outcome(Picture(0, 0, 65'536, 4096)));
  ExpectRefused("beyond its inputs", Outcome(Picture(0, 0, 65, 64)));
  Manifest full = Picture(0, 0, 64, 64);
  full.set_full_precision(true);
  ExpectRefused("32 bits", Outcome(full));
  Manifest blob;
  blob.set_kind(BLOB);
  ExpectRefused("bytes", Outcome(blob));
}

TEST(Outcome, WithNumbersThatAreNoneIsRefused) {
  for (const float value : {kNan, kInfinite, -kInfinite}) {
    ExpectRefused("constant", Outcome(Picture(0, 0, 64, 64, value)));
  }
  for (const double seconds : {std::nan(""), -1e300, -1.0, HUGE_VAL, 1e12}) {
    TaskOutcome o = Outcome(Picture(0, 0, 64, 64));
    o.set_seconds(seconds);
    ExpectRefused("seconds", o);
  }
}

TEST(Outcome, WithALongTextOrImpossibleCountsIsRefused) {
  TaskOutcome o = Outcome(Picture(0, 0, 64, 64));
  o.add_warning(std::string(3 << 20, 'x'));
  ExpectRefused("a warning of 3 MB", o);
  o.mutable_warning(0)->assign("short");
  for (int i = 0; i < 20; ++i) o.add_warning("another");
  ExpectRefused("many warnings", o);
  o.clear_warning();
  o.set_tiles_rendered(4'000'000'000u);
  ExpectRefused("tiles", o);
  o.set_tiles_rendered(1);
  o.set_tile_keys("short");
  ExpectRefused("tile keys", o);
}

TEST(Outcome, WithSpansThatMakeNoSenseIsRefused) {
  const auto with = [](const std::string& what, uint64_t start, uint64_t length, uint64_t bytes = 0) {
    TaskOutcome o = Outcome(Picture(0, 0, 64, 64));
    Span* span = o.add_span();
    span->set_what(what);
    span->set_start_us(start);
    span->set_length_us(length);
    span->set_bytes(bytes);
    return o;
  };
  ExpectRefused("a month and more", with("levels", 0, 40ull * 86'400 * 1'000'000));
  ExpectRefused("a sum that runs over", with("levels", UINT64_MAX, UINT64_MAX));
  ExpectRefused("no name", with("", 0, 1));
  ExpectRefused("a long name", with(std::string(1 << 20, 'x'), 0, 1));
  ExpectRefused("a name with an escape", with("\x1b[31m", 0, 1));
  ExpectRefused("bytes", with("levels", 0, 1, UINT64_MAX));
  TaskOutcome o = with("levels", 10, 1);
  *o.add_span() = o.span(0);
  o.mutable_span(1)->set_start_us(9);
  ExpectRefused("out of order", o);
  o = with("levels", 0, 1);
  for (int i = 0; i < 64; ++i) *o.add_span() = o.span(0);
  ExpectRefused("65 spans", o);
}

// What the planner's own steps make goes into other steps.
class Measured : public ::testing::Test {
 protected:
  // The key's screen is measured in a box; `bytes` are handed in for it at first.
  void ExpectRefused(const std::string& what, const std::string& bytes) {
    SCOPED_TRACE(what);
    Daemon d;
    Stack stack = d.TwoPasses(1);
    SampleBox* box =
        stack.mutable_pass(0)->mutable_step(0)->mutable_color_difference()->mutable_screen()->mutable_sample();
    box->set_width(8);
    box->set_height(8);
    std::atomic<int> forgeries{0};
    FakeWorker worker(d.Channel(), "w", 1, [&](const TaskSpec& spec) -> std::optional<TaskOutcome> {
      if (spec.step().empty() || !spec.step(0).has_sample_color() || forgeries++ > 0) return std::nullopt;
      Manifest m;
      m.set_kind(BLOB);
      m.set_blob_size(bytes.size());
      EXPECT_TRUE(d.cache().tiles->Put(std::vector<StoredTile>{{Sha256(bytes), EncodeTile(bytes)}}).ok());
      AppendTile(&m, {.digest = Sha256(bytes)});
      return Outcome(m);
    });
    const JobProgress p = d.Run(stack);
    EXPECT_EQ(p.state(), JOB_DONE) << p.DebugString();
    EXPECT_EQ(forgeries, 2);
  }
};

TEST_F(Measured, NumbersOfAnotherCountOrThatAreNoneAreRefused) {
  Measurement m;
  ExpectRefused("bytes", "these are no numbers at all");
  m.add_values(1);
  m.add_values(1);
  ExpectRefused("two numbers", m.SerializeAsString());
  m.add_values(kNan);
  ExpectRefused("not a number", m.SerializeAsString());
}

}  // namespace
}  // namespace selvage
