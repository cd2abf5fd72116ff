#include "worker/run/executor.h"

#include <gtest/gtest.h>

#include <atomic>
#include <cmath>
#include <map>
#include <thread>

#include "cache/manifest.h"
#include "cache/memory_tile_store.h"
#include "cache/tile_codec.h"
#include "cache/verifying_tile_store.h"
#include "tests/testing/op_tester.h"
#include "worker/kernels/pixels/half.h"
#include "worker/picture/window.h"
#include "worker/run/decoded_cache.h"
#include "worker/run/result_writer.h"
#include "worker/run/sources.h"
#include "worker/run/tile_keys.h"

namespace selvage::worker {
namespace {

const auto kGoOn = [] { return false; };
const Rect kFormat{0, 0, 600, 300};

// Counts what is put, and can be made to fail.
class CountingStore final : public TileStore {
 public:
  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override {
    if (down) return absl::UnavailableError("the daemon is away");
    return below.Get(digests);
  }
  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override {
    return below.FindMissing(digests);
  }
  absl::Status Put(std::span<const StoredTile> tiles) override {
    size_t bytes = 0;
    for (const StoredTile& t : tiles) bytes += t.data.size();
    put += tiles.size();
    largest_batch = std::max(largest_batch, bytes);
    return below.Put(tiles);
  }
  absl::Status MakeDurable() override { return below.MakeDurable(); }
  absl::Status Delete(std::span<const Digest> digests) override { return below.Delete(digests); }
  absl::Status Scan(const std::function<void(const Digest&, uint64_t)>& visit) override { return below.Scan(visit); }

  MemoryTileStore below;
  size_t put = 0, largest_batch = 0;
  bool down = false;
};

class ExecutorTest : public ::testing::Test {
 protected:
  std::shared_ptr<CountingStore> store_ = std::make_shared<CountingStore>();
  std::shared_ptr<TileStore> verified_ = std::make_shared<VerifyingTileStore>(store_);
  Executor executor_{verified_, {}};

  static TaskSpec Task(const std::vector<std::string>& steps) {
    TaskSpec task;
    task.set_key(std::string(32, 'k'));
    task.set_attempt(3);
    task.mutable_format()->set_width(kFormat.width());
    task.mutable_format()->set_height(kFormat.height());
    task.set_pass("core");
    task.set_frame(1001);
    for (const std::string& s : steps) *task.add_step() = MakeStep(s);
    return task;
  }
  static void AddStored(TaskSpec* task, int step, const std::string& port, const Manifest& manifest) {
    TaskInput* input = task->add_input();
    input->set_step(step);
    input->set_port(port);
    input->set_name("from " + port);
    *input->mutable_stored() = manifest;
  }
  // A rectangle as a mask, pixel-aligned.
  static ResolvedMask Box(double x0, double y0, double x1, double y1) {
    ResolvedMask mask;
    auto* shape = mask.add_shape();
    shape->set_opacity(1);
    auto* path = shape->add_path();
    const double corner[][2] = {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}, {x0, y0}};
    path->add_xy(x0);
    path->add_xy(y0);
    for (int i = 1; i < 5; ++i) {
      for (double u : {1 / 3.0, 2 / 3.0, 1.0}) {
        for (int k = 0; k < 2; ++k) path->add_xy(corner[i - 1][k] + u * (corner[i][k] - corner[i - 1][k]));
      }
    }
    return mask;
  }
  Manifest Store(const Picture& picture) {
    DecodedCache memory(0);
    ResultWriter writer(store_, &memory);
    writer.BeginPicture(picture.kind, picture.rect(), false);
    EXPECT_TRUE(writer.Add(picture).ok());
    auto manifest = writer.Finish();
    EXPECT_TRUE(writer.Store().ok());
    EXPECT_TRUE(manifest.ok()) << manifest.status();
    return *manifest;
  }
  Picture Load(const Manifest& manifest) {
    DecodedCache memory(0);
    auto source = OpenStored(manifest, verified_, &memory);
    EXPECT_TRUE(source.ok()) << source.status();
    Picture out;
    const absl::Status status = (*source)->Read((*source)->window(), &out);
    EXPECT_TRUE(status.ok()) << status;
    return out;
  }
  Manifest Rendered(const TaskSpec& task) {
    const TaskOutcome outcome = executor_.Run(task, kGoOn);
    EXPECT_TRUE(outcome.has_manifest()) << outcome.ShortDebugString();
    EXPECT_EQ(outcome.key(), task.key());
    EXPECT_EQ(outcome.attempt(), 3u);
    EXPECT_GE(outcome.seconds(), 0);
    return outcome.manifest();
  }
};

TEST_F(ExecutorTest, StoredResultComesBackAtStoragePrecision) {
  const Picture picture = MakePicture(PREMULTIPLIED, {-10, -300, 590, 20});
  const Manifest manifest = Store(picture);
  EXPECT_EQ(ToRect(manifest.window()), picture.rect());
  EXPECT_TRUE(SameBits(Load(manifest), picture));
}

TEST_F(ExecutorTest, TilesOfATaskAreTheWholeFrame) {
  const Picture matte = MakePicture(MATTE, kFormat, 1), other = MakePicture(MATTE, kFormat, 2);
  // Reach 13, 45 and 161: blocks of one tile, of several, and of the whole frame.
  for (const char* sigma : {"1", "9", "38"}) {
    TaskSpec task = Task({"levels { black { value: 0.1 } }", std::string("soften { sigma { value: ") + sigma + " } }",
                          "combine { with: 'b' rule: UNION }", "soften { sigma { value: 2.2 } }"});
    AddStored(&task, -1, "in", Store(matte));
    AddStored(&task, 2, "with", Store(other));
    OpContext context;
    context.format = kFormat;
    auto chain =
        Chain::Make(context, {task.step().begin(), task.step().end()},
                    {{0, "in", 0, MakeSource(matte, kFormat), {}}, {2, "with", 0, MakeSource(other, kFormat), {}}}, 0);
    ASSERT_TRUE(chain.ok());
    Picture whole;
    ASSERT_TRUE((*chain)->Render(kFormat, &whole).ok());
    for (int y = 0; y < 300; ++y) RoundToHalf(whole.planes[0].row(y), 600);
    EXPECT_TRUE(SameBits(Load(Rendered(task)), whole)) << sigma;
  }
}

TEST_F(ExecutorTest, NeighbouringFramesAndMotionReachTheOperator) {
  const std::string step = "steady { plate: 'p' window: 1 noise: 0.05 }";
  TaskSpec task = Task({step});
  OpTester tester(step);
  std::map<int, Manifest> plates;
  for (int offset : {0, -1, 1}) {
    const Picture matte = MakePicture(MATTE, kFormat, 20 + 5 * offset),
                  plate = MakePicture(OPAQUE, kFormat, 20 + 5 * offset);
    AddStored(&task, -1, "in", Store(matte));
    task.mutable_input(task.input_size() - 1)->set_frame_offset(offset);
    plates[offset] = Store(plate);
    tester.Main(matte, offset).With("plate", plate, offset);
  }
  for (int from : {-1, 0}) {
    TaskSpec motion = Task({"motion_field { to: 'p' }"});
    AddStored(&motion, -1, "in", plates[from]);
    AddStored(&motion, 0, "to", plates[from + 1]);
    AddStored(&task, 0, from < 0 ? "plate.motion-1" : "plate.motion+1", Rendered(motion));
  }
  Picture expected = tester.Render();
  for (int y = 0; y < 300; ++y) RoundToHalf(expected.planes[0].row(y), 600);
  const Picture out = Load(Rendered(task));
  EXPECT_TRUE(SameBits(out, expected));
  EXPECT_FALSE(SameBits(out, MakePicture(MATTE, kFormat, 20)));
}

TEST_F(ExecutorTest, WithoutStepsTheSourceIsStored) {
  TaskSpec task = Task({});
  const Manifest manifest = Store(MakePicture(STRAIGHT, kFormat));
  AddStored(&task, -1, "in", manifest);
  EXPECT_EQ(ContentDigest(Rendered(task)), ContentDigest(manifest));
}

TEST_F(ExecutorTest, MaskIsDrawnWhereItIsNeeded) {
  TaskSpec task = Task({});
  TaskInput* input = task.add_input();
  input->set_step(-1);
  input->set_port("in");
  *input->mutable_mask() = Box(100, 50, 400.5, 200);
  const Manifest manifest = Rendered(task);
  EXPECT_EQ(manifest.kind(), MATTE);
  const Picture out = Load(manifest);
  EXPECT_EQ(out.rect(), kFormat);
  EXPECT_EQ(out.planes[0].at(99, 100), 0.0f);
  EXPECT_EQ(out.planes[0].at(100, 100), 1.0f);
  EXPECT_EQ(out.planes[0].at(400, 100), 0.5f);
  EXPECT_EQ(out.planes[0].at(401, 100), 0.0f);
}

// A matte kept inside a mask; the tiles have keys.
class ReusedTiles : public ExecutorTest {
 protected:
  ReusedTiles() : matte_(Store(MakePicture(MATTE, kFormat))) {}
  TaskSpec Inside(const ResolvedMask& mask, const std::string& recipe = "recipe") {
    TaskSpec task = Task({"within { mask: 'm' }"});
    AddStored(&task, -1, "in", matte_);
    TaskInput* input = task.add_input();
    input->set_step(0);
    input->set_port("mask");
    *input->mutable_mask() = mask;
    task.set_tile_recipe(Sha256(recipe).str());
    return task;
  }
  // `task` with the result of `before` at hand.
  TaskOutcome After(const TaskSpec& before, TaskSpec task) {
    const TaskOutcome earlier = executor_.Run(before, kGoOn);
    executor_.Forget(before.key());
    *task.mutable_earlier()->mutable_manifest() = earlier.manifest();
    task.mutable_earlier()->set_tile_keys(earlier.tile_keys());
    const TaskOutcome outcome = executor_.Run(task, kGoOn);
    executor_.Forget(task.key());
    EXPECT_TRUE(outcome.has_manifest()) << outcome.ShortDebugString();
    EXPECT_EQ(outcome.tiles_rendered() + outcome.tiles_reused(), 6u);
    EXPECT_EQ(outcome.tile_keys().size(), 6 * 32u);
    task.clear_earlier();
    EXPECT_EQ(ContentDigest(outcome.manifest()), ContentDigest(Rendered(task)));
    return outcome;
  }
  const Manifest matte_;
};

TEST_F(ReusedTiles, WhereTheMaskDrawsTheSame) {
  EXPECT_EQ(After(Inside(Box(10, 10, 90, 90)), Inside(Box(10, 10, 90, 80))).tiles_rendered(), 1u);
  // Two of the other tiles, all of them within the tile before.
  EXPECT_EQ(After(Inside(Box(10, 10, 590, 90)), Inside(Box(10, 10, 300, 90))).tiles_rendered(), 2u);
  // Another curve, the same drawing.
  ResolvedMask twice = Box(10, 10, 90, 90);
  *twice.add_shape() = twice.shape(0);
  EXPECT_EQ(After(Inside(Box(10, 10, 90, 90)), Inside(twice)).tiles_rendered(), 0u);
}

TEST_F(ReusedTiles, NotUnderAnotherRecipe) {
  const ResolvedMask mask = Box(10, 10, 90, 90);
  EXPECT_EQ(After(Inside(mask), Inside(mask, "after an invalidation")).tiles_rendered(), 6u);
}

TEST_F(ReusedTiles, NotWithoutTheirBytes) {
  const TaskSpec task = Inside(Box(0, 0, 600, 300));
  const TaskOutcome before = executor_.Run(task, kGoOn);
  executor_.Forget(task.key());
  const Digest gone = StoredDigests(before.manifest()).front();
  uint32_t places = 0;
  for (size_t i = 0; i < 6; ++i) places += GetTile(before.manifest(), i).digest == gone;
  ASSERT_TRUE(store_->Delete({&gone, 1}).ok());
  TaskSpec again = task;
  *again.mutable_earlier()->mutable_manifest() = before.manifest();
  again.mutable_earlier()->set_tile_keys(before.tile_keys());
  const TaskOutcome outcome = executor_.Run(again, kGoOn);
  EXPECT_EQ(outcome.tiles_rendered(), places);
  EXPECT_TRUE(store_->FindMissing(StoredDigests(outcome.manifest()))->empty());
  // Gone after it was reused: the task is run again, nothing is handed in.
  const Digest late = StoredDigests(before.manifest()).back();
  ASSERT_NE(late, gone);
  ASSERT_TRUE(store_->Delete({&late, 1}).ok());
  EXPECT_TRUE(absl::IsUnavailable(executor_.Rewrite(outcome)));
}

TEST_F(ReusedTiles, WhateverTheEarlierResultIsLike) {
  const TaskSpec task = Inside(Box(10, 10, 90, 90));
  const TaskOutcome good = executor_.Run(task, kGoOn);
  const auto rendered = [&](const Manifest& manifest, const std::string& keys) {
    TaskSpec again = task;
    *again.mutable_earlier()->mutable_manifest() = manifest;
    again.mutable_earlier()->set_tile_keys(keys);
    return executor_.Run(again, kGoOn).tiles_rendered();
  };
  EXPECT_EQ(rendered(good.manifest(), good.tile_keys()), 0u);
  EXPECT_EQ(rendered(good.manifest(), good.tile_keys().substr(32)), 6u);
  EXPECT_EQ(rendered(Store(MakePicture(MATTE, {0, 0, 600, 301})), good.tile_keys()), 6u);
  EXPECT_EQ(rendered(Store(MakePicture(OPAQUE, kFormat)), good.tile_keys()), 6u);
  Manifest torn = good.manifest();
  torn.mutable_tiles()->resize(40);
  EXPECT_EQ(rendered(torn, good.tile_keys()), 6u);
}

TEST(CoverTiles, EachWantedTileOnceAndNoOther) {
  const Rect window{-300, -700, 1000, 530};
  const TileGrid grid(ToWindow(window));
  uint32_t dice = 1;
  for (int side : {256, 512, 2048}) {
    for (int round = 0; round < 50; ++round) {
      std::vector<bool> wanted;
      for (int i = 0; i < grid.count(); ++i) wanted.push_back((dice = dice * 1664525 + 1013904223) >> 30 != 0);
      std::vector<Rect> rects;
      for (int y = -2048; y < 1024; y += side) {
        for (int x = -2048; x < 1024; x += side) CoverTiles(grid, {x, y, x + side, y + side}, wanted, &rects);
      }
      for (int i = 0; i < grid.count(); ++i) {
        const Rect tile = ToRect(grid.TileWindow(i % grid.columns, i / grid.columns));
        int covered = 0;
        for (const Rect& r : rects) {
          ASSERT_TRUE(r.Contains(tile) || r.Intersect(tile).empty());
          covered += r.Contains(tile);
        }
        ASSERT_EQ(covered, wanted[i] ? 1 : 0) << i;
      }
    }
  }
}

TEST_F(ExecutorTest, ConstantTilesHaveNoBytesAnywhere) {
  const Manifest manifest = Rendered(Task({"flood { color { r: 0.18 g: 2 b: 0 } }"}));
  EXPECT_EQ(store_->put, 0u);
  EXPECT_EQ(StoredDigests(manifest).size(), 0u);
  ASSERT_EQ(TileCount(manifest), 4u * 6);
  EXPECT_EQ(GetTile(manifest, 0).value, HalfToFloat(FloatToHalf(0.18f)));
  // A tile of 1s in a picture that isn't constant.
  TaskSpec task = Task({});
  TaskInput* input = task.add_input();
  input->set_step(-1);
  input->set_port("in");
  *input->mutable_mask() = Box(-10, -10, 300, 400);
  const Manifest half = Rendered(task);
  EXPECT_EQ(GetTile(half, 0), (TileRef{.constant = true, .value = 1}));
  EXPECT_EQ(GetTile(half, 2), (TileRef{.constant = true, .value = 0}));
  EXPECT_FALSE(GetTile(half, 1).constant);
}

TEST_F(ExecutorTest, OnlyWhatTheStoreLacksIsWritten) {
  TaskSpec task = Task({"levels { gamma { value: 1.5 } }"});
  AddStored(&task, -1, "in", Store(MakePicture(MATTE, kFormat)));
  store_->put = 0;
  const Manifest manifest = Rendered(task);
  EXPECT_EQ(store_->put, StoredDigests(manifest).size());
  store_->put = 0;
  Rendered(task);
  EXPECT_EQ(store_->put, 0u);
  const Digest lost = StoredDigests(manifest)[0];
  ASSERT_TRUE(store_->Delete({&lost, 1}).ok());
  Rendered(task);
  EXPECT_EQ(store_->put, 1u);
}

TEST_F(ExecutorTest, BatchesAreAboutAMebibyte) {
  Store(MakePicture(OPAQUE, {0, 0, 2048, 1024}));
  EXPECT_GT(store_->put, 50u);
  EXPECT_LT(store_->largest_batch, size_t{3} << 20);
}

TEST_F(ExecutorTest, RewriteBringsBackWhatTheStoreLost) {
  TaskSpec task = Task({"levels { gamma { value: 1.5 } }"});
  AddStored(&task, -1, "in", Store(MakePicture(MATTE, kFormat)));
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  const std::vector<Digest> digests = StoredDigests(outcome.manifest());
  ASSERT_TRUE(store_->Delete(digests).ok());
  ASSERT_TRUE(executor_.Rewrite(outcome).ok());
  EXPECT_TRUE(store_->FindMissing(digests)->empty());
}

TEST_F(ExecutorTest, NothingBeyondHalfIsStored) {
  Picture bright = MakeConstant(PREMULTIPLIED, kFormat, 60000);
  TaskSpec task = Task({"composite { with: 'b' rule: PLUS }"});
  AddStored(&task, -1, "in", Store(bright));
  AddStored(&task, 0, "with", Store(bright));
  const Picture out = Load(Rendered(task));
  for (const Plane& plane : out.planes) EXPECT_EQ(plane.at(5, 5), 65504.0f);
  Picture broken = MakeConstant(MATTE, kFormat, 0.5f);
  broken.planes[0].constant.reset();
  broken.planes[0].at(7, 7) = NAN;
  broken.planes[0].at(8, 7) = -INFINITY;
  const Picture stored = Load(Store(broken));
  EXPECT_EQ(stored.planes[0].at(7, 7), 0.0f);
  EXPECT_EQ(stored.planes[0].at(8, 7), -65504.0f);
}

TEST_F(ExecutorTest, LostInputTileSaysWhichInput) {
  TaskSpec task = Task({"combine { with: 'b' }"});
  const Manifest good = Store(MakePicture(MATTE, kFormat, 1)), bad = Store(MakePicture(MATTE, kFormat, 2));
  AddStored(&task, -1, "in", good);
  AddStored(&task, 0, "with", bad);
  const std::vector<Digest> kept = StoredDigests(good);
  for (const Digest& d : StoredDigests(bad)) {
    if (std::find(kept.begin(), kept.end(), d) != kept.end()) continue;
    ASSERT_TRUE(store_->Delete({&d, 1}).ok());
  }
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  EXPECT_EQ(outcome.error().class_(), TaskError::INPUT_LOST) << outcome.ShortDebugString();
  EXPECT_EQ(outcome.error().input(), 1u);
}

TEST_F(ExecutorTest, DamagedInputTileIsALostOne) {
  TaskSpec task = Task({"levels {}"});
  const Manifest manifest = Store(MakePicture(MATTE, kFormat));
  AddStored(&task, -1, "in", manifest);
  StoredTile forged{StoredDigests(manifest)[0], EncodeTile(std::string(1000, 'x'))};
  ASSERT_TRUE(store_->below.Delete({&forged.digest, 1}).ok());
  ASSERT_TRUE(store_->below.Put({&forged, 1}).ok());
  EXPECT_EQ(executor_.Run(task, kGoOn).error().class_(), TaskError::INPUT_LOST);
}

// What a worker of ours never stores: the digest fits, but the last sample is no finite number.
TEST_F(ExecutorTest, InputTileThatIsNotFiniteIsALostOne) {
  const auto run = [&](bool full_precision, std::string last) {
    std::string content(size_t{64} * 64 * (full_precision ? 4 : 2), '\0');
    content.replace(content.size() - last.size(), last.size(), last);
    const StoredTile tile{Sha256(content), EncodeTile(content)};
    EXPECT_TRUE(store_->below.Put({&tile, 1}).ok());
    Manifest manifest;
    manifest.set_kind(MATTE);
    *manifest.mutable_window() = ToWindow(Rect{0, 0, 64, 64});
    manifest.add_channel("A");
    manifest.set_full_precision(full_precision);
    AppendTile(&manifest, {.digest = tile.digest});
    TaskSpec task = Task({"levels {}"});
    AddStored(&task, -1, "in", manifest);
    return executor_.Run(task, kGoOn);
  };
  using namespace std::string_literals;  // NOLINT: strings with zeros
  EXPECT_TRUE(run(false, "\xff\x7b"s).has_manifest()) << "65504, the largest binary16";
  EXPECT_TRUE(run(true, "\xff\xff\x7f\x7f"s).has_manifest()) << "the largest binary32";
  for (const auto& [full_precision, last] : std::vector<std::pair<bool, std::string>>{
           {false, "\xff\xff"s}, {false, "\x00\x7c"s}, {true, "\x00\x00\x80\xff"s}, {true, "\x01\x00\x80\x7f"s}}) {
    const TaskOutcome outcome = run(full_precision, last);
    EXPECT_EQ(outcome.error().class_(), TaskError::INPUT_LOST) << outcome.ShortDebugString();
  }
}

TEST_F(ExecutorTest, UnreachableStoreIsNotTheArtistsFault) {
  TaskSpec task = Task({"levels {}"});
  AddStored(&task, -1, "in", Store(MakePicture(MATTE, kFormat)));
  store_->down = true;
  EXPECT_EQ(executor_.Run(task, kGoOn).error().class_(), TaskError::INFRASTRUCTURE);
}

TEST_F(ExecutorTest, OperatorsNoNamesTheStep) {
  TaskSpec task = Task({"levels {}", "levels { black { value: 0.5 } white { value: 0.25 } }"});
  task.set_first_step(2);
  AddStored(&task, -1, "in", Store(MakePicture(MATTE, kFormat)));
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  EXPECT_EQ(outcome.error().class_(), TaskError::OPERATOR);
  EXPECT_EQ(outcome.error().message(), "step 4 (levels): white is below black");
}

TEST_F(ExecutorTest, StoppedTaskEndsEarly) {
  TaskSpec task = Task({"levels { gamma { value: 2 } }"});
  AddStored(&task, -1, "in", Store(MakePicture(MATTE, kFormat)));
  store_->put = 0;
  EXPECT_EQ(executor_.Run(task, [] { return true; }).error().class_(), TaskError::INFRASTRUCTURE);
  EXPECT_EQ(store_->put, 0u);
}

TEST_F(ExecutorTest, MissingPlateIsAnError) {
  TaskSpec task = Task({});
  TaskInput* input = task.add_input();
  input->set_step(-1);
  input->set_port("in");
  input->mutable_plate()->set_path("/nowhere/plate.1001.exr");
  input->mutable_plate()->set_digest(std::string(32, 'd'));
  const TaskOutcome outcome = executor_.Run(task, kGoOn);
  ASSERT_TRUE(outcome.has_error());
  EXPECT_NE(outcome.error().message().find("/nowhere/plate.1001.exr"), std::string::npos);
}

TEST_F(ExecutorTest, MeasurementReachesTheStepThatAsksForIt) {
  TaskSpec measure = Task({"sample_color { box { x: 20 y: 10 width: 30 height: 20 } }"});
  const Manifest plate = Store(MakePicture(OPAQUE, kFormat));
  AddStored(&measure, -1, "in", plate);
  const Manifest blob = Rendered(measure);
  ASSERT_EQ(blob.kind(), BLOB);
  TaskSpec key = Task({"color_difference { screen { sample { x: 20 y: 10 width: 30 height: 20 } } }"});
  AddStored(&key, -1, "in", plate);
  AddStored(&key, 0, "screen.sample", blob);
  const Manifest by_box = Rendered(key);
  auto bytes = ReadBlob(blob, *verified_);
  ASSERT_TRUE(bytes.ok());
  Measurement measured;
  ASSERT_TRUE(measured.ParseFromString(*bytes));
  TaskSpec given = Task({"color_difference {}"});
  Color* color = given.mutable_step(0)->mutable_color_difference()->mutable_screen()->mutable_color();
  color->set_r(measured.values(0));
  color->set_g(measured.values(1));
  color->set_b(measured.values(2));
  AddStored(&given, -1, "in", plate);
  EXPECT_EQ(ContentDigest(Rendered(given)), ContentDigest(by_box));
}

// Promise 2: whatever is remembered, and however many threads render.
TEST_F(ExecutorTest, ThreadsAndMemoryChangeNoBit) {
  const Manifest plate = Store(MakePicture(OPAQUE, kFormat)), matte = Store(MakePicture(MATTE, kFormat, 2));
  auto task = [&](int i) {
    TaskSpec t = Task({"attach_matte { matte: 'm' }", "premultiply {}",
                       "soften { sigma { value: " + std::to_string(0.5 + i % 4) + " } }", "composite { with: 'b' }"});
    AddStored(&t, -1, "in", plate);
    AddStored(&t, 0, "matte", matte);
    AddStored(&t, 3, "with", plate);
    TaskInput* mask = t.add_input();
    *t.add_step() = MakeStep("within { mask: 'box' }");
    mask->set_step(4);
    mask->set_port("mask");
    *mask->mutable_mask() = Box(20.3, 11.1, 480.7, 222.2);
    return t;
  };
  std::vector<Digest> alone;
  for (int i = 0; i < 4; ++i) alone.push_back(ContentDigest(Rendered(task(i))));
  for (size_t memory_bytes : {size_t{0}, size_t{300'000}, size_t{1} << 30}) {
    Executor executor(verified_, {.memory_bytes = memory_bytes});
    std::vector<std::thread> threads;
    std::atomic<int> wrong = 0;
    for (int n = 0; n < 4; ++n) {
      threads.emplace_back([&, n] {
        for (int i = 0; i < 4; ++i) {
          const TaskOutcome outcome = executor.Run(task(i + n), kGoOn);
          wrong += !outcome.has_manifest() || ContentDigest(outcome.manifest()) != alone[(i + n) % 4];
        }
      });
    }
    for (auto& t : threads) t.join();
    EXPECT_EQ(wrong, 0) << memory_bytes;
    EXPECT_LE(executor.memory_bytes(), memory_bytes);
  }
}

}  // namespace
}  // namespace selvage::worker
