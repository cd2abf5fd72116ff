// A mask that follows, planned and rendered as in a job, on the drawn shot: how
// well it holds the board that crosses, and what a correction renders.
#include <gtest/gtest.h>

#include <cstdio>
#include <filesystem>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "cache/memory_tile_store.h"
#include "google/protobuf/text_format.h"
#include "proto/svg_path.h"
#include "server/plan/plan.h"
#include "server/engine/task_inputs.h"
#include "tests/scene/files.h"
#include "tests/scene/render.h"
#include "worker/files/plate_reader.h"
#include "worker/inputs/mask.h"
#include "worker/run/executor.h"
#include "worker/run/sources.h"

namespace selvage {
namespace {

using worker::DecodedCache;
using worker::Executor;
using worker::InspectPlateFile;
using worker::OpenStored;
using worker::Picture;
using worker::Plane;
using worker::Rect;
using worker::RenderMask;

namespace fs = std::filesystem;

constexpr int kWidth = 640, kHeight = 360, kFirst = 1006, kLast = 1014;
constexpr Rect kFormat = {0, 0, kWidth, kHeight};

// The shot's plates, drawn once for all tests: light noise, as recorded.
class DrawnPlates {
 public:
  DrawnPlates() {
    std::string pattern = (fs::temp_directory_path() / "selvage-follow-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
    scene::RenderOptions options;
    options.shot.width = kWidth;
    options.shot.height = kHeight;
    shot_ = options.shot;
    const scene::Painter painter(options.shot, options.hue, options.seed);
    for (int f = kFirst; f <= kLast; ++f) {
      const std::string path = scene::FramePath(files(), f);
      scene::WriteExr(path, scene::Record(options, painter.Draw(f), f), scene::Channels::kRgb);
      const auto facts = InspectPlateFile(path);
      EXPECT_TRUE(facts.ok()) << facts.status();
      if (facts.ok()) facts_[path] = *facts;
    }
  }
  ~DrawnPlates() {
    std::error_code error;
    fs::remove_all(folder_, error);
  }

  std::string files() const { return (folder_ / "plate.%04d.exr").string(); }
  const PlateFacts* Facts(const std::string& path) const { return &facts_.at(path); }

  // The board in the middle of the exposure, as a hand draws it: the wood,
  // `loose` metres wider.
  std::string Board(int frame, float loose = 0.01f) const {
    const scene::Pose pose = scene::PoseAt(shot_, static_cast<float>(frame) + scene::kShutter / 2);
    const scene::Camera camera(kWidth, kHeight);
    const scene::V3 middle = scene::Camera::Project(pose.panel);
    const float c = std::cos(pose.panel_roll), s = std::sin(pose.panel_roll);
    const float w = scene::kPanelHalfWidth + loose, h = scene::kPanelHalfHeight + loose;
    std::string path;
    for (const auto& [x, y] : {std::pair{-w, h}, {w, h}, {w, -h}, {-w, -h}}) {
      absl::StrAppend(&path, path.empty() ? "M " : " L ", camera.PixelX(middle.x + c * x + s * y), " ",
                      camera.PixelY(middle.y - s * x + c * y));
    }
    return path + " Z";
  }

 private:
  fs::path folder_;
  scene::Shot shot_;
  std::map<std::string, PlateFacts> facts_;
};

// What a stack's "board" is at each frame, rendered with all that is known from before.
class Follow : public ::testing::Test {
 protected:
  static void SetUpTestSuite() { plates_ = new DrawnPlates; }
  static void TearDownTestSuite() {
    delete plates_;
    plates_ = nullptr;
  }

  // The board drawn at these frames (`shift` instead at the last of them),
  // following a picture or none.
  static Stack StackOf(const std::vector<int>& drawn, const std::string& shift = "",
                       const std::string& picture = "plate") {
    std::string text =
        absl::StrCat("name: 'shot' frames { first: ", kFirst, " last: ", kLast, " }", " plate { name: 'plate' files: '",
                     plates_->files(), "' }", " mask { name: 'board' shape {");
    for (int f : drawn) {
      const bool other = f == drawn.back() && !shift.empty();
      absl::StrAppend(&text, " at { frame: ", f, " path: '", other ? shift : plates_->Board(f), "' }");
    }
    const std::string follow = picture.empty() ? "" : absl::StrCat(" follow { picture: '", picture, "' }");
    absl::StrAppend(&text, " }", follow, " }", " pass { name: 'cut' from: 'board' step { levels {} } }",
                    " pass { name: 'dark' from: 'plate' step { grade { gain { r: 0 g: 0 b: 0 } } } }",
                    " deliver { name: 'd' from: 'cut' files: '/o.%d.exr' }");
    Stack stack;
    EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &stack)) << text;
    for (const StackError& e : plan::Validate(stack)) ADD_FAILURE() << e.path() << ": " << e.message();
    return stack;
  }

  // Renders what is not there; a message where that fails.
  std::string Render(const Stack& stack) {
    rendered_.clear();
    const std::vector<plan::Target> targets = plan::PassTargets(stack, "cut");
    const plan::PlateFiles files =
        *plan::FindPlateFiles(stack, targets, [](const std::string& path) { return fs::exists(path); });
    plan_ = *plan::BuildPlan(stack, targets, files, [](const std::string& path) { return plates_->Facts(path); });
    for (const StackError& e : plan_.errors) ADD_FAILURE() << e.path() << ": " << e.message();
    for (const plan::PlannedTask& task : plan_.tasks) {
      if (results_.contains(task.key)) continue;
      std::vector<Digest> contents;
      for (const ResultKey& key : InputKeys(task)) contents.push_back(ContentDigest(results_.at(key)));
      const Digest trace = plan::TraceKey(task, contents);
      if (const auto same = traces_.find(trace); same != traces_.end()) {
        results_[task.key] = results_.at(same->second);
        continue;
      }
      const TaskSpec spec = plan::MakeTaskSpec(plan_, task, [&](const ResultKey& key) { return &results_.at(key); });
      const TaskOutcome outcome = executor_.Run(spec, [] { return false; });
      executor_.Forget(spec.key());
      if (!outcome.has_manifest())
        return absl::StrCat(task.pass, " frame ", task.frame, ": ", outcome.error().message());
      results_[task.key] = outcome.manifest();
      traces_[trace] = task.key;
      rendered_[task.pass].insert(task.frame);
      seconds_[task.pass] += outcome.seconds();
    }
    return "";
  }

  Plane At(int frame) {
    Plane whole(kFormat);
    for (size_t i = 0; i < plan_.targets.size(); ++i) {
      if (kFirst + static_cast<int>(i) != frame) continue;
      const auto source = OpenStored(results_.at(plan_.targets[i]), store_, &memory_);
      EXPECT_TRUE(source.ok()) << source.status();
      Picture picture;
      EXPECT_TRUE((*source)->Prefetch({kFormat}).ok() && (*source)->Read(kFormat, &picture).ok());
      whole = picture.planes[0];
    }
    return whole;
  }

  // Intersection over union with what should have been drawn.
  double Overlap(int frame) {
    const auto path = ParseSvgPath(plates_->Board(frame));
    ResolvedMask truth;
    for (const SubPath& sub : path->sub_paths) {
      auto* to = truth.mutable_shape()->Add();
      to->set_opacity(1);
      for (double v : sub.xy) (to->path_size() > 0 ? to->mutable_path(0) : to->add_path())->add_xy(v);
    }
    Plane drawn(kFormat);
    EXPECT_TRUE(RenderMask(truth, &drawn).ok());
    const Plane have = At(frame);
    double both = 0, any = 0;
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        both += std::min(drawn.at(x, y), have.at(x, y));
        any += std::max(drawn.at(x, y), have.at(x, y));
      }
    }
    return both / any;
  }

  static DrawnPlates* plates_;
  const std::shared_ptr<MemoryTileStore> store_ = std::make_shared<MemoryTileStore>();
  Executor executor_{store_, {.memory_bytes = 64 << 20}};
  DecodedCache memory_{64 << 20};
  plan::Plan plan_;
  std::map<ResultKey, Manifest> results_;
  std::map<Digest, ResultKey> traces_;
  std::map<std::string, std::set<int>> rendered_;
  std::map<std::string, double> seconds_;
};
DrawnPlates* Follow::plates_ = nullptr;

TEST_F(Follow, HoldsTheBoardThatCrossesTheShot) {
  ASSERT_EQ(Render(StackOf({kFirst})), "");
  std::string line;
  for (int f = kFirst; f <= kLast; ++f) absl::StrAppend(&line, " ", Overlap(f));
  const double once = Overlap(kLast);
  ASSERT_EQ(Render(StackOf({kFirst, kLast})), "");
  std::string corrected;
  double worst = 1;
  for (int f = kFirst; f <= kLast; ++f) {
    absl::StrAppend(&corrected, " ", Overlap(f));
    worst = std::min(worst, Overlap(f));
  }
  std::printf("overlap (IoU), 18 pixels a frame, drawn once:%s\ncorrected at the last:%s\n", line.c_str(),
              corrected.c_str());
  for (const auto& [pass, seconds] : seconds_) std::printf("%s: %.1f ms in all\n", pass.c_str(), 1000 * seconds);
  EXPECT_GT(once, 0.85);
  EXPECT_GT(worst, 0.93);
  // A mask that stays where it was drawn has left it after two frames.
  ASSERT_EQ(Render(StackOf({kFirst}, "", "")), "");
  EXPECT_LT(Overlap(kLast), 0.1);
}

TEST_F(Follow, IsCarriedBackwardAsWell) {
  ASSERT_EQ(Render(StackOf({kLast})), "");
  EXPECT_GT(Overlap(kFirst), 0.85);
  ASSERT_EQ(Render(StackOf({1010})), "");
  EXPECT_GT(std::min(Overlap(kFirst), Overlap(kLast)), 0.9);
}

TEST_F(Follow, ACorrectionRendersTheFramesUpToTheNeighbouringKeyFrames) {
  ASSERT_EQ(Render(StackOf({kFirst, 1009, 1011})), "");
  EXPECT_EQ(rendered_["motion plate"].size(), 8u);
  ASSERT_EQ(Render(StackOf({kFirst, 1009, 1011}, plates_->Board(1011, 0.02f))), "");
  EXPECT_EQ(rendered_["motion plate"].size(), 0u);
  // 1010 between the two, and everything after the last one.
  EXPECT_EQ(rendered_["mask board"], (std::set<int>{1010, 1011, 1012, 1013, 1014}));
  EXPECT_EQ(rendered_["cut"], (std::set<int>{1010, 1011, 1012, 1013, 1014}));
  // Back to what it was: nothing.
  ASSERT_EQ(Render(StackOf({kFirst, 1009, 1011})), "");
  EXPECT_TRUE(rendered_.empty());
}

TEST_F(Follow, AtAKeyFrameItHasTheBitsOfWhatWasDrawn) {
  ASSERT_EQ(Render(StackOf({1010})), "");
  const Plane followed = At(1010);
  ASSERT_EQ(Render(StackOf({1010}, "", "")), "");
  const Plane drawn = At(1010);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) ASSERT_EQ(followed.at(x, y), drawn.at(x, y)) << x << ", " << y;
  }
}

// The lights go out: nothing to hold on to.
TEST_F(Follow, WhereNothingIsLeftItStopsAndSaysAtWhichFrame) {
  EXPECT_EQ(Render(StackOf({kFirst}, "", "dark")),
            "mask board frame 1007: shape 1 has lost what it follows; draw it at frame 1007");
}

}  // namespace
}  // namespace selvage
