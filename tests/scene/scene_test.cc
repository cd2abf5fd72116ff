// Laws of the scene: its truth is exact and its bytes are reproducible.
#include <set>
#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "proto/stack.pb.h"
#include "proto/svg_path.h"
#include "tests/scene/demo_stack.h"
#include "tests/scene/files.h"
#include "tests/scene/render.h"
#include "tests/scene/score.h"

namespace selvage::scene {
namespace {

namespace fs = std::filesystem;

std::string Bytes(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::stringstream text;
  text << file.rdbuf();
  return text.str();
}

class SceneFiles : public ::testing::Test {
 protected:
  SceneFiles() {
    std::string name = (fs::temp_directory_path() / "selvage-scene-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr) std::abort();
    folder_ = name;
  }
  ~SceneFiles() override { fs::remove_all(folder_); }

  // 240 x 136 pixels from the stroke of the tool on.
  RenderOptions Small(const std::string& name) const {
    RenderOptions o;
    o.folder = (folder_ / name).string();
    o.shot = {240, 136, 1012, 3};
    o.only.insert("shadow");
    return o;
  }
  Picture Read(const std::string& file) const { return ReadPicture((folder_ / file).string()); }

  fs::path folder_;
};

TEST_F(SceneFiles, SameSeedGivesSameBytesWithOneThreadAndTwo) {
  RenderOptions one = Small("one"), two = Small("two");
  one.threads = 1;
  two.threads = 2;
  one.png = two.png = one.dpx = two.dpx = true;
  for (const RenderOptions& o : {one, two}) Render(o, [](int) {});
  size_t count = 0;
  for (const auto& entry : fs::directory_iterator(one.folder)) {
    EXPECT_TRUE(Bytes(entry.path()) == Bytes(fs::path(two.folder) / entry.path().filename())) << entry.path();
    ++count;
  }
  // Six sequences as EXR, one as PNG, one as DPX, and the description.
  EXPECT_EQ(count, 3u * 8 + 1);
}

TEST_F(SceneFiles, AnotherSeedGivesAnotherPicture) {
  RenderOptions a = Small("a"), b = Small("b");
  a.only = b.only = {"plate"};
  a.noise = b.noise = "none";
  b.seed = 2;
  for (const RenderOptions& o : {a, b}) Render(o, [](int) {});
  EXPECT_FALSE(Bytes(folder_ / "a/plate.1012.exr") == Bytes(folder_ / "b/plate.1012.exr"));
}

// What is behind the foreground is the clean screen times the figure's shadow.
TEST_F(SceneFiles, ForegroundOverShadowedScreenIsThePlate) {
  RenderOptions o = Small("exact");
  o.noise = "none";
  Render(o, [](int) {});
  for (int frame = 1012; frame < 1015; ++frame) {
    Picture plate = Read(FramePath("exact/plate.%04d.exr", frame)),
            front = Read(FramePath("exact/foreground.%04d.exr", frame));
    Picture clean = Read(FramePath("exact/clean.%04d.exr", frame)),
            shadow = Read(FramePath("exact/shadow.%04d.exr", frame));
    double worst = 0;
    for (size_t i = 0; i < plate.pixels.size(); ++i) {
      const Rgba &p = plate.pixels[i], &f = front.pixels[i], &c = clean.pixels[i], &s = shadow.pixels[i];
      auto error = [&](float seen, float fore, float screen, float shade) {
        double whole = fore + (1.0 - f.a) * screen * shade;
        // Each of five halves is right to 2^-11 of its value (2^-25 near 0).
        return std::abs(seen - whole) / (seen + fore + 3.0 * screen + 1e-4);
      };
      worst = std::max({worst, error(p.r, f.r, c.r, s.r), error(p.g, f.g, c.g, s.g), error(p.b, f.b, c.b, s.b)});
    }
    EXPECT_LT(worst, 1.0 / 2048) << "frame " << frame;
  }
}

TEST_F(SceneFiles, CoverageLiesBetweenNothingAndAll) {
  RenderOptions o = Small("cover");
  o.only = {"alpha", "shadow"};
  Render(o, [](int) {});
  Picture alpha = Read("cover/alpha.1013.exr"), shadow = Read("cover/shadow.1013.exr");
  size_t none = 0, all = 0, part = 0;
  for (size_t i = 0; i < alpha.pixels.size(); ++i) {
    float a = alpha.pixels[i].a;
    ASSERT_GE(a, 0);
    ASSERT_LE(a, 1);
    ASSERT_GT(shadow.pixels[i].r, 0);
    ASSERT_LE(shadow.pixels[i].r, 1);
    ++(a == 0 ? none : a == 1 ? all : part);
  }
  EXPECT_GT(none, alpha.pixels.size() / 2);
  EXPECT_GT(all, alpha.pixels.size() / 50);
  EXPECT_GT(part, alpha.pixels.size() / 100);
}

TEST_F(SceneFiles, AlphaFileIsTheForegroundsCoverage) {
  RenderOptions o = Small("same");
  Render(o, [](int) {});
  Picture alpha = Read("same/alpha.1012.exr"), front = Read("same/foreground.1012.exr");
  for (size_t i = 0; i < alpha.pixels.size(); ++i) ASSERT_EQ(alpha.pixels[i].a, front.pixels[i].a);
}

TEST_F(SceneFiles, PartsAreWhereTheirCoverageIs) {
  RenderOptions o = Small("parts");
  o.only = {"alpha", "shadow", "part"};
  Render(o, [](int) {});
  const Picture alpha = Read("parts/alpha.1013.exr"), shadow = Read("parts/shadow.1013.exr"),
                part = Read("parts/part.1013.exr");
  std::set<Part> seen;
  for (size_t i = 0; i < alpha.pixels.size(); ++i) {
    const auto p = static_cast<Part>(part.pixels[i].a);
    ASSERT_LE(p, Part::kPanel);
    seen.insert(p);
    const bool bare = p == Part::kScreen || p == Part::kShadow;
    if (bare) {
      EXPECT_LT(alpha.pixels[i].a, 0.03f);
    }
    if (p == Part::kScreen) {
      EXPECT_GE(shadow.pixels[i].r, 0.92f);
    }
    if (!bare) {
      EXPECT_GT(alpha.pixels[i].a, 0.002f);
    }
  }
  // The panel crosses at other frames.
  for (const Part p : {Part::kScreen, Part::kShadow, Part::kMesh, Part::kHair, Part::kSteel, Part::kSuit, Part::kBoots,
                       Part::kHat, Part::kTool}) {
    EXPECT_TRUE(seen.contains(p)) << kPartNames[static_cast<int>(p)];
  }
}

TEST(Noise, VarianceIsLinearInTheSignal) {
  Noise3 noise = NoiseOf("medium");
  Picture flat(512, 512);
  for (Rgba& p : flat.pixels) p = {0.1f, 0.4f, 0.02f, 1};
  Picture noisy = flat;
  AddNoise(noise, 7, 1001, &noisy);
  double sum[3] = {};
  for (size_t i = 0; i < flat.pixels.size(); ++i) {
    const Rgba &n = noisy.pixels[i], &f = flat.pixels[i];
    sum[0] += (n.r - f.r) * (n.r - f.r);
    sum[1] += (n.g - f.g) * (n.g - f.g);
    sum[2] += (n.b - f.b) * (n.b - f.b);
  }
  double count = static_cast<double>(flat.pixels.size());
  // The variance of 262,144 samples is right to 0.3 % (one standard error).
  EXPECT_NEAR(sum[0] / count / (noise.a.x * 0.1 + noise.b.x), 1, 0.015);
  EXPECT_NEAR(sum[1] / count / (noise.a.y * 0.4 + noise.b.y), 1, 0.015);
  EXPECT_NEAR(sum[2] / count / (noise.a.z * 0.02 + noise.b.z), 1, 0.015);
}

TEST(Subsample, GreysKeepTheirValueWithinOneCode) {
  Picture grey(16, 16);
  for (size_t i = 0; i < grey.pixels.size(); ++i) {
    float v = static_cast<float>(i) / 255;
    grey.pixels[i] = {v, v, v, 1};
  }
  Picture out = grey;
  Subsample420(&out);
  for (size_t i = 0; i < out.pixels.size(); ++i) {
    EXPECT_EQ(out.pixels[i].r, out.pixels[i].b);
    // Half a code of 219 on a curve no steeper than 2.3 in linear light.
    EXPECT_NEAR(out.pixels[i].g, grey.pixels[i].g, 0.5 / 219 * 2.3);
  }
}

TEST(Encodings, AgreeWithPublishedValues) {
  // IEC 61966-2-1: linear 0.18 is 0.4614; the printing-density curve puts 1.0 on code 685 and 0 on 95.
  EXPECT_NEAR(EncodeSrgb(0.18f), 0.46136f, 1e-4);
  EXPECT_NEAR(EncodeDensity(1.0f) * 1023, 685, 1e-2);
  EXPECT_NEAR(EncodeDensity(0.0f) * 1023, 95, 1e-2);
}

TEST(Score, IsTheMeanAbsoluteErrorInsideTheBand) {
  // One soft pixel at the middle: a band of 7 x 7. One wrong pixel in it, one outside.
  Picture truth(21, 21), matte(21, 21);
  truth.At(10, 10).a = matte.At(10, 10).a = 0.5f;
  matte.At(12, 12).a = 0.49f;
  matte.At(0, 0).a = 1;
  Score s = Compare(matte, truth);
  EXPECT_NEAR(s.band, 0.49 / 49, 1e-9);
  EXPECT_NEAR(s.whole, 1.49 / 441, 1e-9);
}

selvage::Stack ParseStack(const std::string& text) {
  selvage::Stack stack;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &stack));
  return stack;
}

TEST(DemoStack, CheckedInCopyIsWhatTheSceneWrites) {
  EXPECT_TRUE(Bytes(SELVAGE_SOURCE_DIR "/tests/demo/apiary_010.stack") == DemoStack(Shot{}, ScreenHue::kGreen))
      << "run: selvage-scene --stack tests/demo/apiary_010.stack";
}

TEST(DemoStack, ParsesAtAnySizeLengthAndScreen) {
  for (Shot shot : {Shot{960, 540, 1001, 24}, Shot{64, 64, 1, 1}, Shot{3840, 2160, 1001, 200}, Shot{640, 480, -5, 2}}) {
    for (ScreenHue hue : {ScreenHue::kGreen, ScreenHue::kBlue, ScreenHue::kYellowGreen}) {
      selvage::Stack stack = ParseStack(DemoStack(shot, hue));
      EXPECT_GE(stack.pass_size(), 24);
      EXPECT_EQ(stack.frames().last(), shot.first + shot.frames - 1);
      for (const auto& mask : stack.mask()) {
        for (const auto& shape : mask.shape()) {
          // Key frames ascend and have the same commands, as interpolation needs.
          std::string commands;
          for (int i = 0; i < shape.at_size(); ++i) {
            auto path = ParseSvgPath(shape.at(i).path());
            ASSERT_TRUE(path.ok()) << path.status();
            if (i > 0) {
              EXPECT_LT(shape.at(i - 1).frame(), shape.at(i).frame());
              EXPECT_EQ(commands, path->commands);
            }
            commands = path->commands;
          }
        }
      }
    }
  }
}

TEST(DemoStack, MeasuringBoxesLieOnBareScreen) {
  Shot shot;
  selvage::Stack stack = ParseStack(DemoStack(shot, ScreenHue::kGreen));
  Picture front = Painter(shot, ScreenHue::kGreen, 1).Draw(shot.first).foreground;
  int boxes = 0;
  auto bare = [&](const selvage::SampleBox& box) {
    ++boxes;
    for (unsigned y = 0; y < box.height(); ++y) {
      for (unsigned x = 0; x < box.width(); ++x) {
        ASSERT_EQ(front.At(box.x() + static_cast<int>(x), box.y() + static_cast<int>(y)).a, 0)
            << box.ShortDebugString();
      }
    }
  };
  for (const auto& pass : stack.pass()) {
    for (const auto& step : pass.step()) {
      if (step.degrain().has_sample()) bare(step.degrain().sample());
      if (step.color_difference().screen().has_sample()) bare(step.color_difference().screen().sample());
      if (step.chroma_range().screen().has_sample()) bare(step.chroma_range().screen().sample());
    }
  }
  EXPECT_GE(boxes, 5);
}

}  // namespace
}  // namespace selvage::scene
