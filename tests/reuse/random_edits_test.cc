// Reuse by tile against rendering everything: random stacks, random edits. After
// each edit the real planner, executor and index render what changed, reusing what
// they can; a second cache reuses nothing but results under their
// own key. Every result must have the same bits in both, and no tile may be
// rendered that no change can reach.
//
// A third cache stores only some of the results, chosen at random, and has the rest
// handed on in bundles: the same bits, whatever was chosen.
//
// SELVAGE_REUSE_EDITS sets the number of edits.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <memory>
#include <optional>
#include <random>
#include <set>
#include <string>
#include <tuple>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "cache/manifest.h"
#include "cache/memory_result_index.h"
#include "cache/memory_tile_store.h"
#include "cache/open.h"
#include "proto/catalogue.h"
#include "server/engine/known_result.h"
#include "server/engine/task_inputs.h"
#include "server/plan/plan.h"
#include "worker/files/picture_file.h"
#include "worker/files/plate_reader.h"
#include "worker/inputs/mask.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/half.h"
#include "worker/picture/window.h"
#include "worker/run/executor.h"

namespace selvage {
namespace {

using worker::Executor;
using worker::ExrChannel;
using worker::GaussianRadius;
using worker::InspectPlateFile;
using worker::Picture;
using worker::Plane;
using worker::Rect;
using worker::RenderMask;
using worker::ToRect;
using worker::ToWindow;
using worker::WriteExr;

// Three by three tiles, none of the outer ones whole.
constexpr int kWidth = 700, kHeight = 520;
constexpr int kFrames = 3;

class Dice {
 public:
  explicit Dice(uint32_t seed) : engine_(seed) {}
  int Upto(int n) { return static_cast<int>(engine_() % static_cast<uint32_t>(n)); }
  bool OneIn(int n) { return Upto(n) == 0; }
  double Between(double low, double high) { return low + (high - low) * (engine_() / 4294967296.0); }
  template <class T>
  const T& Of(const std::vector<T>& all) {
    return all[static_cast<size_t>(Upto(static_cast<int>(all.size())))];
  }

 private:
  std::mt19937 engine_;
};

// Where a pixel's inputs can be, in pixels from it, written down apart from the
// operators.
int ReachOf(const Step& step) {
  switch (step.op_case()) {
    case Step::kSoften:
      return GaussianRadius(step.soften().sigma().value());
    case Step::kChoke:
      return static_cast<int>(std::ceil(std::abs(step.choke().pixels().value())));
    case Step::kPatch:
      return GaussianRadius(step.patch().sigma().value());
    case Step::kFillColor:
      return GaussianRadius(step.fill_color().sigma().value());
    default:
      return 0;
  }
}

// --- A shot that is worked on ------------------------------------------------

class Shot {
 public:
  Shot(const std::filesystem::path& folder, Dice* dice) : folder_(folder), dice_(*dice) {
    stack_.set_name("shot");
    stack_.mutable_frames()->set_first(1);
    stack_.mutable_frames()->set_last(kFrames);
    Plate* plate = stack_.add_plate();
    plate->set_name("plate");
    plate->set_files((folder / "plate.%d.exr").string());
    for (int f = 1; f <= kFrames; ++f) {
      pictures_.push_back(Draw(f));
      WritePlate(f);
    }
    for (int i = 0; i < 3; ++i) {
      Mask* mask = stack_.add_mask();
      mask->set_name(absl::StrCat("mask", i));
      Reshape(mask);
    }
    const int passes = dice_.OneIn(8) ? 30 : 3 + dice_.Upto(9);
    for (int i = 0; i < passes; ++i) AddPass();
    for (const Pass& pass : stack_.pass()) {
      Deliverable* d = stack_.add_deliver();
      d->set_name(pass.name());
      d->set_from(pass.name());
      d->set_files((folder / (pass.name() + ".%d.exr")).string());
    }
  }

  const Stack& stack() const { return stack_; }
  plan::FactsOf Facts() const {
    return [this](const std::string& path) -> const PlateFacts* { return &facts_.at(path); };
  }
  plan::EpochOf Epochs() const {
    return [this](const std::string& pass, int32_t) {
      const auto it = epochs_.find(pass);
      return plan::Epoch(it == epochs_.end() ? 0 : it->second);
    };
  }

  // Something an artist does; says what.
  std::string Edit() {
    for (;;) {
      const Stack before = stack_;
      const std::string what = TryEdit();
      if (plan::Validate(stack_).empty()) {
        if (what != "undo") last_ = before;
        return what;
      }
      stack_ = before;
    }
  }

 private:
  std::string TryEdit() {
    Pass* pass = stack_.mutable_pass(dice_.Upto(stack_.pass_size()));
    const int place = dice_.Upto(pass->step_size());
    Step* step = pass->mutable_step(place);
    switch (dice_.Upto(12)) {
      case 0:
      case 1:
      case 2:
        Reshape(stack_.mutable_mask(dice_.Upto(stack_.mask_size())));
        return "mask";
      case 3:
      case 4:
      case 5: {
        // One point of one shape.
        auto* shape = stack_.mutable_mask(dice_.Upto(stack_.mask_size()))->mutable_shape(0);
        const std::string path = Outline();
        if (shape->at_size() > 0) {
          shape->mutable_at(dice_.Upto(shape->at_size()))->set_path(path);
        } else {
          shape->set_path(path);
        }
        return "mask point";
      }
      case 6:
        Renumber(step);
        return "number of " + pass->name();
      case 7:
        Rewire(pass, step);
        return "wire of " + pass->name();
      case 8: {
        const int frame = 1 + dice_.Upto(kFrames);
        Paint(frame);
        return absl::StrCat("plate ", frame);
      }
      case 9:
        epochs_[pass->name()] = ++epoch_;
        return "invalidated " + pass->name();
      case 10:
        if (last_) {
          std::swap(stack_, *last_);
          return "undo";
        }
        return "nothing";
      default:
        if (pass->step_size() > 1 && dice_.OneIn(2)) {
          pass->mutable_step()->DeleteSubrange(place, 1);
          return "step less in " + pass->name();
        }
        *pass->add_step() = RandomStep(KindOf(pass->name()) == MATTE, IndexOf(pass->name()));
        return "step more in " + pass->name();
    }
  }

  // Names that pass `before` may read.
  std::vector<std::string> Mattes(int before) const {
    std::vector<std::string> names;
    for (const Mask& m : stack_.mask()) names.push_back(m.name());
    for (int i = 0; i < before; ++i) {
      if (kinds_[i] == MATTE) names.push_back(stack_.pass(i).name());
    }
    return names;
  }
  std::vector<std::string> Colors(int before) const {
    std::vector<std::string> names = {"plate"};
    for (int i = 0; i < before; ++i) {
      if (kinds_[i] != MATTE) names.push_back(stack_.pass(i).name());
    }
    return names;
  }
  int IndexOf(const std::string& pass) const {
    for (int i = 0; i < stack_.pass_size(); ++i) {
      if (stack_.pass(i).name() == pass) return i;
    }
    return -1;
  }
  Kind KindOf(const std::string& pass) const { return kinds_[IndexOf(pass)]; }

  void AddPass() {
    const int index = stack_.pass_size();
    Pass pass;
    pass.set_name(absl::StrCat("p", index));
    const bool matte = dice_.OneIn(3) ? false : true;
    const int steps = 1 + dice_.Upto(3);
    if (!matte || dice_.OneIn(3)) {
      pass.set_from(dice_.Of(Colors(index)));
      if (matte) *pass.add_step() = Key();
    } else {
      pass.set_from(dice_.Of(Mattes(index)));
    }
    while (pass.step_size() < steps) *pass.add_step() = RandomStep(matte, index);
    kinds_.push_back(matte ? MATTE : OPAQUE);
    *stack_.add_pass() = pass;
    // A kind that does not fit (a second step after one that changes it).
    if (!plan::Validate(stack_).empty()) {
      stack_.mutable_pass()->RemoveLast();
      kinds_.pop_back();
      AddPass();
    }
  }

  Step Key() {
    Step step;
    if (dice_.OneIn(2)) {
      step.mutable_color_difference();
    } else {
      step.mutable_luma_range()->mutable_low_full()->set_value(dice_.Between(0.2, 0.9));
    }
    return step;
  }

  Step RandomStep(bool matte, int index) {
    Step step;
    const std::string mask = dice_.Of(Mattes(index));
    if (matte) {
      switch (dice_.Upto(8)) {
        case 0:
          step.mutable_levels();
          break;
        case 1:
          step.mutable_choke();
          break;
        case 2:
          step.mutable_soften();
          break;
        case 3:
          step.mutable_within()->set_mask(mask);
          break;
        case 4:
          step.mutable_without()->set_mask(mask);
          break;
        case 5:
          step.mutable_combine()->set_with(mask);
          break;
        case 6:
          step.mutable_soften();
          break;
        default:
          step.mutable_patch()->set_with(mask);
          step.mutable_patch()->set_mask(dice_.Of(Mattes(index)));
      }
    } else {
      switch (dice_.Upto(14)) {
        case 0: {
          auto* profile = step.mutable_degrain()->mutable_profile();
          step.mutable_degrain()->set_window(1);
          for (Color* c : {profile->mutable_a(), profile->mutable_b()}) {
            c->set_r(0.0001);
            c->set_g(0.0001);
            c->set_b(0.0001);
          }
          break;
        }
        case 1:
        case 2:
          step.mutable_spread_color()->set_core(mask);
          break;
        case 3:
        case 4:
          step.mutable_hue_rotate();
          break;
        case 5:
        case 6:
          step.mutable_patch()->set_with(dice_.Of(Colors(index)));
          step.mutable_patch()->set_mask(mask);
          break;
        case 7:
          step.mutable_fill_color()->set_core(mask);
          break;
        default:
          step.mutable_grade()->mutable_stops();
          if (!dice_.OneIn(3)) step.mutable_grade()->set_mask(mask);
      }
    }
    Renumber(&step);
    return step;
  }

  // A value for the whole shot, or key frames.
  void Set(Number* n, double low, double high) {
    n->Clear();
    if (!dice_.OneIn(4)) return n->set_value(dice_.Between(low, high));
    for (int frame : {1, 1 + dice_.Upto(kFrames - 1) + 1}) {
      auto* at = n->add_at();
      at->set_frame(frame);
      at->set_value(dice_.Between(low, high));
    }
  }

  void Renumber(Step* step) {
    switch (step->op_case()) {
      case Step::kLevels:
        Set(step->mutable_levels()->mutable_black(), 0, 0.3);
        Set(step->mutable_levels()->mutable_white(), 0.6, 1);
        break;
      case Step::kChoke:
        Set(step->mutable_choke()->mutable_pixels(), -6, 6);
        break;
      case Step::kSoften:
        Set(step->mutable_soften()->mutable_sigma(), 0, dice_.OneIn(4) ? 30 : 4);
        break;
      case Step::kCombine:
        Set(step->mutable_combine()->mutable_amount(), 0, 1);
        break;
      case Step::kPatch:
        Set(step->mutable_patch()->mutable_sigma(), 0, 5);
        break;
      case Step::kHueRotate:
        Set(step->mutable_hue_rotate()->mutable_rotate(), -30, 30);
        break;
      case Step::kFillColor:
        Set(step->mutable_fill_color()->mutable_sigma(), 0.5, 5);
        break;
      case Step::kGrade:
        Set(step->mutable_grade()->mutable_stops(), -1, 1);
        break;
      case Step::kSpreadColor:
        Set(step->mutable_spread_color()->mutable_amount(), 0, 1);
        break;
      case Step::kLumaRange:
        step->mutable_luma_range()->mutable_low_full()->set_value(dice_.Between(0.2, 0.9));
        break;
      default:
        break;
    }
  }

  void Rewire(Pass* pass, Step* step) {
    const int index = IndexOf(pass->name());
    const std::string matte = dice_.Of(Mattes(index));
    switch (step->op_case()) {
      case Step::kWithin:
        step->mutable_within()->set_mask(matte);
        return;
      case Step::kWithout:
        step->mutable_without()->set_mask(matte);
        return;
      case Step::kCombine:
        step->mutable_combine()->set_with(matte);
        return;
      case Step::kGrade:
        step->mutable_grade()->set_mask(matte);
        return;
      case Step::kSpreadColor:
        step->mutable_spread_color()->set_core(matte);
        return;
      default:
        break;
    }
    const std::vector<std::string> mattes = Mattes(index);
    const bool from_matte = std::count(mattes.begin(), mattes.end(), pass->from()) > 0;
    pass->set_from(from_matte ? matte : dice_.Of(Colors(index)));
  }

  std::string Outline() {
    const double x = dice_.Between(0, kWidth - 150), y = dice_.Between(0, kHeight - 150);
    const double w = dice_.Between(20, 150), h = dice_.Between(20, 150);
    return absl::StrFormat("M %.1f %.1f L %.1f %.1f C %.1f %.1f %.1f %.1f %.1f %.1f Z", x, y, x + w, y, x + w,
                           y + h / 2, x + w / 2, y + h, x, y + h);
  }
  void Reshape(Mask* mask) {
    mask->clear_shape();
    const int shapes = 1 + dice_.Upto(2);
    for (int i = 0; i < shapes; ++i) {
      auto* shape = mask->add_shape();
      if (dice_.OneIn(3)) {
        const std::string a = Outline();
        for (int frame : {1, 2}) {
          auto* at = shape->add_at();
          at->set_frame(frame);
          at->set_path(frame == 1 ? a : Outline());
        }
      } else {
        shape->set_path(Outline());
      }
      if (dice_.OneIn(2)) shape->mutable_feather()->set_value(dice_.Between(-10, 20));
    }
  }

  // A figure before a green screen, little noise.
  Picture Draw(int frame) {
    Picture p;
    p.kind = OPAQUE;
    const Rect all{0, 0, kWidth, kHeight};
    for (int c = 0; c < 4; ++c) p.planes.emplace_back(all);
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        const double dx = (x - 300 - 8 * frame) / 120.0, dy = (y - 280) / 200.0;
        const double inside = std::min(1.0, std::max(0.0, 8 * (1 - std::sqrt(dx * dx + dy * dy))));
        const float noise = static_cast<float>((x * 7 + y * 13 + frame * 5) % 16) / 512;
        const double screen[3] = {0.1, 0.5, 0.12}, figure[3] = {0.6, 0.4 + x / 3000.0, 0.3};
        for (int c = 0; c < 3; ++c) {
          p.planes[c].at(x, y) = static_cast<float>(screen[c] + inside * (figure[c] - screen[c])) + noise;
        }
      }
    }
    return p;
  }
  void Paint(int frame) {
    Picture& p = pictures_[frame - 1];
    const int x0 = dice_.Upto(kWidth - 20), y0 = dice_.Upto(kHeight - 20);
    const float value = static_cast<float>(dice_.Between(0, 1));
    for (int y = y0; y < y0 + 20; ++y) {
      for (int x = x0; x < x0 + 20; ++x) p.planes[0].at(x, y) = value;
    }
    WritePlate(frame);
  }
  void WritePlate(int frame) {
    const Rect all{0, 0, kWidth, kHeight};
    std::vector<ExrChannel> channels;
    for (int c = 0; c < 3; ++c) channels.push_back({std::string(1, "RGB"[c]), pictures_[frame - 1].planes[c]});
    const auto bytes = WriteExr(all, all, channels, {});
    ASSERT_TRUE(bytes.ok()) << bytes.status();
    const std::string path = (folder_ / absl::StrCat("plate.", frame, ".exr")).string();
    std::ofstream(path, std::ios::binary) << *bytes;
    const auto facts = InspectPlateFile(path);
    ASSERT_TRUE(facts.ok()) << facts.status();
    facts_[path] = *facts;
  }

  const std::filesystem::path folder_;
  Dice& dice_;
  Stack stack_;
  std::optional<Stack> last_;
  std::vector<Kind> kinds_;
  std::vector<Picture> pictures_;
  std::map<std::string, PlateFacts> facts_;
  std::map<std::string, uint64_t> epochs_;
  uint64_t epoch_ = 0;
};

// --- A cache and a worker ----------------------------------------------------

struct Farm {
  std::shared_ptr<MemoryTileStore> store = std::make_shared<MemoryTileStore>();
  MemoryResultIndex index;
  Executor executor{store, {.memory_bytes = 64 << 20}};

  Manifest ManifestOf(const ResultKey& key) {
    auto found = index.Find({&key, 1});
    return found.ok() && found->front() ? found->front()->manifest : Manifest();
  }
  bool Has(const ResultKey& key) { return index.Find({&key, 1})->front().has_value(); }
};

// A cache in which results may be known without their tiles, and a worker of bundles.
struct BundleFarm {
  Cache cache = OpenMemoryCache();
  Executor executor{cache.tiles, {.memory_bytes = 8 << 20}};

  std::optional<ResultRecord> Find(const ResultKey& key) { return cache.index->Find({&key, 1})->front(); }
};

// What a task read when it was rendered last.
struct Read {
  Digest tile_recipe;
  std::vector<Manifest> stored;
  std::vector<std::shared_ptr<const ResolvedMask>> masks;
};

// Tiles of the format's grid in which two drawings differ.
std::vector<Rect> Differences(const ResolvedMask& a, const ResolvedMask& b) {
  std::vector<Rect> rects;
  const Rect all{0, 0, kWidth, kHeight};
  Plane pa(all), pb(all);
  EXPECT_TRUE(RenderMask(a, &pa).ok() && RenderMask(b, &pb).ok());
  for (int y = 0; y < kHeight; ++y) {
    worker::RoundToHalf(pa.row(y), kWidth);
    worker::RoundToHalf(pb.row(y), kWidth);
  }
  const TileGrid grid(ToWindow(all));
  for (int i = 0; i < grid.count(); ++i) {
    const Rect tile = ToRect(grid.TileWindow(i % grid.columns, i / grid.columns));
    bool same = true;
    for (int y = tile.y0; y < tile.y1; ++y) {
      for (int x = tile.x0; x < tile.x1; ++x) same = same && pa.at(x, y) == pb.at(x, y);
    }
    if (!same) rects.push_back(tile);
  }
  return rects;
}
std::vector<Rect> Differences(const Manifest& a, const Manifest& b) {
  const TileGrid grid(b.window());
  std::vector<Rect> rects;
  for (size_t n = 0; n < TileCount(b); ++n) {
    const int place = static_cast<int>(n) % grid.count();
    if (GetTile(a, n) != GetTile(b, n))
      rects.push_back(ToRect(grid.TileWindow(place % grid.columns, place / grid.columns)));
  }
  return rects;
}

// Tiles that a change can reach; nullopt where everything may differ.
std::optional<uint32_t> Reachable(const Read& before, const Read& now, const std::vector<Step>& steps) {
  if (before.tile_recipe != now.tile_recipe) return std::nullopt;
  std::vector<Rect> changed;
  for (size_t i = 0; i < now.masks.size(); ++i) {
    const auto more = Differences(*before.masks[i], *now.masks[i]);
    changed.insert(changed.end(), more.begin(), more.end());
  }
  for (size_t i = 0; i < now.stored.size(); ++i) {
    const Manifest &a = before.stored[i], &b = now.stored[i];
    if (a.kind() != b.kind() || a.tiles().size() != b.tiles().size()) return std::nullopt;
    const auto more = Differences(a, b);
    changed.insert(changed.end(), more.begin(), more.end());
  }
  int reach = 0;
  for (const Step& step : steps) reach += ReachOf(step);
  Window all;
  all.set_width(kWidth);
  all.set_height(kHeight);
  const TileGrid grid(all);
  uint32_t count = 0;
  for (int i = 0; i < grid.count(); ++i) {
    const Rect around = ToRect(grid.TileWindow(i % grid.columns, i / grid.columns)).Grow(reach);
    count += std::any_of(changed.begin(), changed.end(), [&](const Rect& r) { return !r.Intersect(around).empty(); });
  }
  return count;
}

class RandomEdits : public ::testing::Test {
 protected:
  RandomEdits() {
    std::string pattern = (std::filesystem::temp_directory_path() / "selvage-reuse-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
  }
  ~RandomEdits() override {
    std::error_code error;
    std::filesystem::remove_all(folder_, error);
  }

  plan::Plan MakePlan(const Shot& shot) {
    const std::vector<plan::Target> targets = plan::DeliverableTargets(shot.stack());
    const plan::PlateFiles files = *plan::FindPlateFiles(
        shot.stack(), targets, [](const std::string& path) { return std::filesystem::exists(path); });
    plan::Plan plan = *plan::BuildPlan(shot.stack(), targets, files, shot.Facts(), {.epochs = shot.Epochs()});
    for (const StackError& e : plan.errors) ADD_FAILURE() << e.path() << ": " << e.message();
    return plan;
  }

  static TaskSpec SpecOf(const plan::Plan& plan, const plan::PlannedTask& task, Farm* farm) {
    std::map<ResultKey, Manifest> manifests;
    for (const ResultKey& key : InputKeys(task)) manifests[key] = farm->ManifestOf(key);
    return plan::MakeTaskSpec(plan, task, [&](const ResultKey& key) { return &manifests.at(key); });
  }

  // As the engine does it: own key, trace key, then the worker with what was
  // there before.
  void Render(const plan::Plan& plan, const plan::PlannedTask& task) {
    IndexBatch batch;
    batch.names.push_back({plan.stack_name, task.pass, task.segment, task.frame, task.key, task.recipe});
    Read now{task.tile_recipe, {}, {}};
    for (const plan::PlannedInput& in : task.inputs) {
      if (in.result) now.stored.push_back(mine_.ManifestOf(*in.result));
      if (in.mask) now.masks.push_back(in.mask.Get());
    }
    const auto place = std::make_tuple(task.pass, task.segment, task.frame);
    const auto contents = ContentsOf(InputKeys(task), mine_.index);
    ASSERT_FALSE(contents->missing);
    const auto twin = *mine_.index.FindTrace(plan::TraceKey(task, contents->digests));
    if (mine_.Has(task.key)) {
      // Named below.
    } else if (twin && mine_.Has(*twin)) {
      batch.results.push_back({task.key, *mine_.index.Find({&*twin, 1})->front()});
    } else {
      TaskSpec spec = SpecOf(plan, task, &mine_);
      const auto earlier = EarlierOf(plan.stack_name, task, mine_.index);
      ASSERT_TRUE(earlier.ok()) << earlier.status();
      if (*earlier) *spec.mutable_earlier() = **earlier;
      const TaskOutcome outcome = mine_.executor.Run(spec, [] { return false; });
      mine_.executor.Forget(spec.key());
      ASSERT_TRUE(outcome.has_manifest()) << outcome.error().message();
      ASSERT_TRUE(mine_.store->FindMissing(StoredDigests(outcome.manifest()))->empty());
      rendered_ += outcome.tiles_rendered();
      reused_ += outcome.tiles_reused();
      ResultRecord record;
      record.manifest = outcome.manifest();
      record.tile_keys = outcome.tile_keys();
      batch.results.push_back({task.key, record});
      batch.traces.push_back({plan::TraceKey(task, contents->digests), task.key});
      if (*earlier && !lossy_ && reads_.contains(place)) {
        if (const auto most = Reachable(reads_.at(place), now, *task.steps)) {
          ++bounded_;
          EXPECT_LE(outcome.tiles_rendered(), *most) << task.pass << " " << task.frame;
        }
      }
    }
    reads_[place] = std::move(now);
    ASSERT_TRUE(mine_.index.Commit(batch).ok());
  }

  void RenderInFull(const plan::Plan& plan, const plan::PlannedTask& task) {
    if (whole_->Has(task.key)) return;
    const TaskOutcome outcome = whole_->executor.Run(SpecOf(plan, task, whole_.get()), [] { return false; });
    whole_->executor.Forget(task.key.digest.str());
    ASSERT_TRUE(outcome.has_manifest()) << outcome.error().message();
    ASSERT_EQ(outcome.tiles_reused(), 0u);
    IndexBatch batch;
    ResultRecord record;
    record.manifest = outcome.manifest();
    batch.results.push_back({task.key, record});
    ASSERT_TRUE(whole_->index.Commit(batch).ok());
  }

  // Bytes that only earlier results have go away, and those results, as eviction
  // does it.
  void Evict(const plan::Plan& plan, Dice* dice) {
    std::set<ResultKey> live;
    for (const plan::PlannedTask& t : plan.tasks) live.insert(t.key);
    std::set<Digest> needed, others;
    (void)mine_.index.ScanResults([&](const ResultKey& key, const ResultRecord& record) {
      for (const Digest& d : StoredDigests(record.manifest)) (live.contains(key) ? needed : others).insert(d);
    });
    for (const Digest& d : others) {
      if (needed.contains(d) || dice->OneIn(2)) continue;
      ASSERT_TRUE(mine_.store->Delete({&d, 1}).ok());
    }
    IndexBatch batch;
    (void)mine_.index.ScanResults([&](const ResultKey& key, const ResultRecord& record) {
      if (!live.contains(key) && !mine_.store->FindMissing(StoredDigests(record.manifest))->empty())
        batch.forget.push_back(key);
    });
    ASSERT_TRUE(mine_.index.Commit(batch).ok());
  }

  void RenderAndCompare(const Shot& shot) {
    const plan::Plan plan = MakePlan(shot);
    for (const plan::PlannedTask& task : plan.tasks) {
      if (task.pass.rfind("deliver ", 0) == 0) continue;  // bytes of files: the executor's test
      Render(plan, task);
      RenderInFull(plan, task);
      if (HasFatalFailure()) return;
      EXPECT_EQ(ContentDigest(mine_.ManifestOf(task.key)), ContentDigest(whole_->ManifestOf(task.key)))
          << task.pass << " segment " << task.segment << " frame " << task.frame;
    }
  }

  // All that may come along with the task: what it reads, down to what is stored.
  static std::vector<const plan::PlannedTask*> InnerOf(const plan::PlannedTask& root,
                                                       const std::map<ResultKey, const plan::PlannedTask*>& handed_on) {
    std::vector<const plan::PlannedTask*> inner;
    std::set<ResultKey> seen;
    const auto visit = [&](const auto& self, const plan::PlannedTask& task) -> void {
      for (const ResultKey& key : InputKeys(task)) {
        const auto it = handed_on.find(key);
        if (it == handed_on.end() || !seen.insert(key).second) continue;
        self(self, *it->second);
        inner.push_back(it->second);
      }
    };
    visit(visit, root);
    return inner;
  }

  // As the engine does it: results that are known, then bundles.
  void RenderBundles(const plan::Plan& plan, Dice* dice) {
    std::map<ResultKey, const plan::PlannedTask*> handed_on;
    std::set<ResultKey> read;
    for (const plan::PlannedTask& t : plan.tasks) {
      if (t.pass.rfind("deliver ", 0) == 0) continue;
      for (const ResultKey& key : InputKeys(t)) read.insert(key);
    }
    const int one_in = 1 + dice->Upto(4);
    for (const plan::PlannedTask& t : plan.tasks) {
      if (t.pass.rfind("deliver ", 0) == 0) continue;
      const auto steps = t.steps.Get();
      const bool heavy =
          std::any_of(steps->begin(), steps->end(), [](const Step& step) { return OperatorOf(step)->heavy(); });
      if (!heavy && read.contains(t.key) && (one_in == 1 || !dice->OneIn(one_in))) handed_on[t.key] = &t;
    }
    for (const plan::PlannedTask& t : plan.tasks) {
      if (t.pass.rfind("deliver ", 0) == 0) continue;
      IndexBatch batch;
      batch.names.push_back({plan.stack_name, t.pass, t.segment, t.frame, t.key, t.recipe});
      const bool wants_tiles = !handed_on.contains(t.key);
      const auto own = bundles_.Find(t.key);
      if (!own || (wants_tiles && !own->stored())) {
        const auto known = FindKnownResult(t, true, wants_tiles, bundles_.cache);
        ASSERT_TRUE(known.ok()) << known.status();
        if (known->twin) {
          ++cut_off_;
          batch.results.push_back({t.key, *known->twin});
        } else if (wants_tiles) {
          RenderBundle(plan, t, InnerOf(t, handed_on), &batch);
          if (HasFatalFailure()) return;
        }
      }
      ASSERT_TRUE(bundles_.cache.committer->Commit(std::move(batch)).ok());
    }
    for (const plan::PlannedTask& t : plan.tasks) {
      if (t.pass.rfind("deliver ", 0) == 0) continue;
      const auto record = bundles_.Find(t.key);
      ASSERT_TRUE(record || handed_on.contains(t.key));
      if (!record) continue;
      EXPECT_EQ(ContentDigest(record->manifest), ContentDigest(whole_->ManifestOf(t.key)))
          << t.pass << " segment " << t.segment << " frame " << t.frame;
      if (record->stored()) {
        EXPECT_TRUE(bundles_.cache.tiles->FindMissing(StoredDigests(record->manifest))->empty());
      }
    }
  }

  void RenderBundle(const plan::Plan& plan, const plan::PlannedTask& task,
                    const std::vector<const plan::PlannedTask*>& inner, IndexBatch* batch) {
    const auto readied = ReadyTask(plan, task, inner, bundles_.cache);
    ASSERT_TRUE(readied.ok()) << readied.status();
    ASSERT_FALSE(readied->missing_input);
    const TaskOutcome outcome = bundles_.executor.Run(readied->spec, [] { return false; });
    bundles_.executor.Forget(readied->spec.key());
    ASSERT_TRUE(outcome.has_manifest()) << outcome.error().message();
    std::map<ResultKey, const plan::PlannedTask*> by_key{{task.key, &task}};
    for (const plan::PlannedTask* t : inner) by_key[t->key] = t;
    HandedIn records;
    const auto add = [&](const TaskOutcome& o, bool stored) {
      const ResultKey key{*Digest::FromBytes(o.key())};
      ResultRecord record;
      record.manifest = o.manifest();
      record.tile_keys = o.tile_keys();
      record.seconds = 1;
      record.bytes = stored ? 1 : 0;
      record.storing = stored ? Storing::kHeavy : Storing::kHandedOn;
      const auto contents = ContentsOf(InputKeys(*by_key.at(key)), *bundles_.cache.index, records);
      ASSERT_FALSE(contents->missing);
      batch->traces.push_back({plan::TraceKey(*by_key.at(key), contents->digests), key});
      batch->results.push_back({key, record});
      records[key] = record;
      taken_over_ += o.tiles_reused();
    };
    for (const TaskSpec& spec : readied->spec.inner()) known_ += spec.has_known();
    for (const TaskOutcome& o : outcome.inner()) add(o, false);
    add(outcome, true);
    handed_on_ += static_cast<uint64_t>(outcome.inner_size());
  }

  // Results of all kinds go, some with their bytes and some before them.
  void EvictBundles(Dice* dice) {
    IndexBatch batch;
    std::set<Digest> needed, gone;
    (void)bundles_.cache.index->ScanResults([&](const ResultKey& key, const ResultRecord& record) {
      const bool goes = dice->OneIn(4);
      if (goes) batch.forget.push_back(key);
      for (const Digest& d : StoredTilesOf(record)) (goes ? gone : needed).insert(d);
    });
    ASSERT_TRUE(bundles_.cache.committer->Commit(std::move(batch)).ok());
    for (const Digest& d : gone) {
      if (needed.contains(d)) continue;
      ASSERT_TRUE(bundles_.cache.tiles->Delete({&d, 1}).ok());
    }
  }

  std::filesystem::path folder_;
  BundleFarm bundles_;
  uint64_t handed_on_ = 0, known_ = 0, cut_off_ = 0, taken_over_ = 0;
  Farm mine_;
  std::unique_ptr<Farm> whole_;
  std::map<std::tuple<std::string, uint32_t, int32_t>, Read> reads_;
  bool lossy_ = false;
  uint64_t rendered_ = 0, reused_ = 0, bounded_ = 0;
};

TEST_F(RandomEdits, GiveTheBitsOfAnEmptyCacheAndRenderNoTileThatNoChangeReaches) {
  const char* given = std::getenv("SELVAGE_REUSE_EDITS");
  const int edits = given ? std::max(1, std::atoi(given)) : 150;
  constexpr int kEditsAShot = 12;
  int done = 0;
  for (uint32_t seed = 1; done < edits; ++seed) {
    Dice dice(seed);
    Shot shot(folder_, &dice);
    whole_ = std::make_unique<Farm>();
    // Bounds are known where nothing was lost.
    lossy_ = dice.OneIn(4);
    SCOPED_TRACE(absl::StrCat("shot ", seed, ", first render"));
    // The results of the shot before are there, under the same names.
    RenderAndCompare(shot);
    for (int i = 0; i < kEditsAShot && done < edits; ++i, ++done) {
      if (lossy_) Evict(MakePlan(shot), &dice);
      SCOPED_TRACE(absl::StrCat("edit ", i, ": ", shot.Edit()));
      RenderAndCompare(shot);
      if (HasFailure()) FAIL() << shot.stack().DebugString();
    }
    // Memory: only what the next shot can reuse.
    if (seed % 4 == 0) {
      std::vector<Digest> all;
      IndexBatch batch;
      (void)mine_.index.ScanResults([&](const ResultKey& key, const ResultRecord&) { batch.forget.push_back(key); });
      (void)mine_.store->Scan([&](const Digest& d, uint64_t) { all.push_back(d); });
      ASSERT_TRUE(mine_.index.Commit(batch).ok() && mine_.store->Delete(all).ok());
    }
  }
  std::printf("%d edits: %llu tiles rendered, %llu reused; %llu tasks held to their bound\n", done,
              static_cast<unsigned long long>(rendered_), static_cast<unsigned long long>(reused_),
              static_cast<unsigned long long>(bounded_));
  EXPECT_GT(reused_, 0u);
  EXPECT_GT(bounded_, 0u);
}

TEST_F(RandomEdits, GiveTheSameBitsWhateverIsStored) {
  const char* given = std::getenv("SELVAGE_REUSE_EDITS");
  const int edits = given ? std::max(1, std::atoi(given)) : 100;
  constexpr int kEditsAShot = 10;
  int done = 0;
  for (uint32_t seed = 1001; done < edits; ++seed) {
    Dice dice(seed);
    Shot shot(folder_, &dice);
    whole_ = std::make_unique<Farm>();
    const bool evicts = dice.OneIn(2);
    for (int i = 0; i <= kEditsAShot && done < edits; ++i, ++done) {
      SCOPED_TRACE(absl::StrCat("shot ", seed, ", edit ", i, ": ", i == 0 ? "none yet" : shot.Edit()));
      if (evicts) EvictBundles(&dice);
      const plan::Plan plan = MakePlan(shot);
      for (const plan::PlannedTask& task : plan.tasks) {
        if (task.pass.rfind("deliver ", 0) != 0) RenderInFull(plan, task);
      }
      RenderBundles(plan, &dice);
      if (HasFailure()) FAIL() << shot.stack().DebugString();
    }
  }
  std::printf(
      "%d edits: %llu results handed on, %llu rendered again for their pixels, %llu cut off, %llu tiles reused\n", done,
      static_cast<unsigned long long>(handed_on_), static_cast<unsigned long long>(known_),
      static_cast<unsigned long long>(cut_off_), static_cast<unsigned long long>(taken_over_));
  EXPECT_GT(handed_on_, 0u);
  EXPECT_GT(known_, 0u);
  EXPECT_GT(cut_off_, 0u);
  EXPECT_GT(taken_over_, 0u);
}

}  // namespace
}  // namespace selvage
