// `selvage new`: what it writes keys without an edit. The truth is the drawn
// scene's; the rival is the best single color_difference that a search against
// that truth finds.
#include <cmath>
#include <cstdlib>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "tests/e2e/studio.h"

// After protobuf: OpenImageIO's byte swaps hide the macros that it uses.
#include <OpenImageIO/imageio.h>

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

struct Samples {
  int width = 0, height = 0;
  std::vector<float> values;
};

// The channel "A", or the first where there is none.
Samples ReadAlpha(const std::string& path) {
  auto in = OIIO::ImageInput::open(path);
  EXPECT_TRUE(in) << path;
  if (!in) return {};
  const int channels = in->spec().nchannels, alpha = std::max(0, in->spec().channelindex("A"));
  Samples s{in->spec().width, in->spec().height, {}};
  s.values.resize(static_cast<size_t>(s.width) * s.height);
  std::vector<float> all(s.values.size() * channels);
  in->read_image(0, 0, 0, channels, OIIO::TypeDesc::FLOAT, all.data());
  for (size_t i = 0; i < s.values.size(); ++i) s.values[i] = all[i * channels + alpha];
  return s;
}

class Shots {
 public:
  Shots(const std::string& mattes, const std::string& truth, int frames) {
    for (int f = 1001; f < 1001 + frames; ++f) {
      mattes_.push_back(ReadAlpha(absl::StrFormat("%s.%04d.exr", mattes, f)).values);
      truths_.push_back(ReadAlpha(absl::StrFormat("%s.%04d.exr", truth, f)).values);
      EXPECT_EQ(mattes_.back().size(), truths_.back().size());
    }
  }
  // Mean squared error after levels.
  double Error(float black, float white) const {
    double sum = 0;
    size_t count = 0;
    const float scale = 1 / (white - black);
    for (size_t f = 0; f < mattes_.size(); ++f) {
      for (size_t i = 0; i < mattes_[f].size(); ++i) {
        const double d = std::clamp((mattes_[f][i] - black) * scale, 0.0f, 1.0f) - truths_[f][i];
        sum += d * d;
      }
      count += mattes_[f].size();
    }
    return sum / static_cast<double>(count);
  }
  double BestError() const {
    double best = 1;
    for (int black = 0; black < 20; ++black) {
      for (int white = black + 1; white <= 20; ++white) best = std::min(best, Error(0.05f * black, 0.05f * white));
    }
    return best;
  }

 private:
  std::vector<std::vector<float>> mattes_, truths_;
};

constexpr int kFrames = 4;

void DrawScene(const Studio& studio, const std::vector<std::string>& options) {
  std::vector<std::string> command = {std::string(SELVAGE_BINARY_DIR) + "/tests/scene/selvage-scene",
                                      "--size",
                                      "320x180",
                                      "--frames",
                                      std::to_string(kFrames),
                                      "--out",
                                      studio.file("shot")};
  command.insert(command.end(), options.begin(), options.end());
  const Finished f = RunProcess(command, 300);
  ASSERT_EQ(f.exit_code, 0) << f.err;
}

// Text of the box that `selvage new` wrote.
std::string SampleIn(const std::string& stack) {
  const size_t from = stack.find("sample {");
  return stack.substr(from, stack.find('}', from) + 1 - from);
}

class NewOnScene : public ::testing::TestWithParam<const char*> {};

TEST_P(NewOnScene, BeatsTheBestSingleKey) {
  Studio studio(1);
  std::vector<std::string> options;
  for (absl::string_view word : absl::StrSplit(GetParam(), ' ')) options.push_back(std::string(word));
  DrawScene(studio, options);
  studio.Start();
  const std::string stack = studio.file("shot.stack");
  const bool coded = std::string(GetParam()).find("--png") != std::string::npos;
  const Finished made =
      studio.Client({"new", "--plate", studio.file(coded ? "shot/plate.1002.png" : "shot/plate.%04d.exr"),
                     "--background", studio.file("shot/meadow.%04d.exr"), "-o", stack});
  ASSERT_EQ(made.exit_code, 0) << made.err << ReadFile(studio.log());
  EXPECT_SAYS(made.out, "frames 1001-1004");
  EXPECT_EQ(studio.Client({"check", stack}).exit_code, 0);
  studio.Submit(stack);
  studio.Fetch("out");
  const double error = Shots(studio.file("out/element/shot"), studio.file("shot/alpha"), kFrames).Error(0, 1);

  const std::string text = ReadFile(stack);
  std::string rivals =
      "name: \"single\"\nframes { first: 1001 last: 1004 }\nplate { name: \"plate\" files: \"shot/plate.%04d." +
      std::string(coded ? "png" : "exr") + "\" }\n";
  for (const char* weight : {"0", "0.5", "1"}) {
    absl::StrAppend(&rivals, "pass { name: \"key", weight, "\" from: \"plate\" step { color_difference { screen { ",
                    SampleIn(text), " } larger_weight { value: ", weight, " } } } }\ndeliver { name: \"key", weight,
                    "\" from: \"key", weight, "\" files: \"out/key_", weight, ".%04d.exr\" }\n");
  }
  studio.Submit(studio.WriteStack("single.stack", rivals));
  studio.Fetch("rivals");
  for (const char* weight : {"0", "0.5", "1"}) {
    const double rival =
        Shots(studio.file(absl::StrCat("rivals/key", weight, "/key_", weight)), studio.file("shot/alpha"), kFrames)
            .BestError();
    EXPECT_LT(error, rival) << "larger_weight " << weight;
  }
}

INSTANTIATE_TEST_SUITE_P(Hues, NewOnScene,
                         ::testing::Values("--seed 1 --noise light", "--seed 3 --noise heavy",
                                           "--seed 5 --noise light --screen blue",
                                           "--seed 7 --noise light --screen yellow-green",
                                           "--seed 8 --noise light --screen yellow-green --subsample --png"));

// Boxes as in clip_test.cc: wall on both sides and beside the head; forehead to
// chin, chest.
TEST(New, KeysARealClipCleanly) {
  const char* data = std::getenv("SELVAGE_TEST_DATA");
  if (data == nullptr) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set: no real clip";
  Studio studio(1);
  fs::copy(fs::path(data) / "greenscreen" / "clip_a", studio.file("clip_a"));
  studio.Start();
  const Finished made =
      studio.Client({"new", "--plate", studio.file("clip_a/clip_a.1001.png"), "-o", studio.file("clip.stack")});
  ASSERT_EQ(made.exit_code, 0) << made.err;
  studio.Submit(studio.file("clip.stack"));
  studio.Fetch("out");
  for (int frame = 1001; frame <= 1016; ++frame) {
    const Samples matte = ReadAlpha(studio.file(absl::StrFormat("out/element/clip.%04d.exr", frame)));
    ASSERT_EQ(matte.width, 320);
    const auto extremes = [&](int left, int top, int width, int height) {
      std::pair<float, float> out = {2, -1};
      for (int y = top; y < top + height; ++y) {
        for (int x = left; x < left + width; ++x) {
          const float v = matte.values[static_cast<size_t>(y) * matte.width + x];
          out = {std::min(out.first, v), std::max(out.second, v)};
        }
      }
      return out;
    };
    // No levels by default: what the noise leaves on bare screen stays, so that hair does.
    EXPECT_LT(extremes(0, 0, 80, 120).second, 0.06f) << frame;
    EXPECT_LT(extremes(215, 0, 105, 120).second, 0.06f) << frame;
    EXPECT_LT(extremes(290, 120, 30, 30).second, 0.06f) << frame;
    EXPECT_GT(extremes(112, 24, 68, 100).first, 0.97f) << frame;
    EXPECT_GT(extremes(60, 160, 190, 30).first, 0.97f) << frame;
  }
}

// Exit code of a command line that is wrong.
constexpr int kUsage = 2;

class NewBadInput : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    studio_ = new Studio(3);
    // A grey card with its grain.
    OIIO::ImageSpec spec(64, 48, 3, OIIO::TypeDesc::HALF);
    std::vector<float> grey(size_t{64} * 48 * 3);
    for (size_t i = 0; i < grey.size(); ++i) grey[i] = 0.4f + 0.004f * static_cast<float>(i / 3 * 7919 % 5);
    auto out = OIIO::ImageOutput::create("grey.exr");
    ASSERT_TRUE(out && out->open(studio_->file("grey.1001.exr"), spec));
    out->write_image(OIIO::TypeDesc::FLOAT, grey.data());
    out->close();
    studio_->Start();
  }
  static void TearDownTestSuite() {
    delete studio_;
    studio_ = nullptr;
  }
  // What is said, on either channel.
  static std::string Says(const std::string& plate, std::vector<std::string> more, int exit_code = 1) {
    const std::string stack = studio_->file("new.stack");
    std::vector<std::string> command = {"new", "--plate", studio_->file(plate), "-o", stack};
    command.insert(command.end(), more.begin(), more.end());
    const Finished f = studio_->Client(command);
    EXPECT_EQ(f.exit_code, exit_code) << f.out << f.err;
    EXPECT_EQ(fs::exists(stack), exit_code == 0);
    fs::remove(stack);
    return f.err + f.out;
  }
  static Studio* studio_;
};
Studio* NewBadInput::studio_ = nullptr;

TEST_F(NewBadInput, NoScreenIsSaidWithWhatToGive) {
  const std::string text = Says("grey.1001.exr", {});
  EXPECT_SAYS(text, "no screen was found");
  EXPECT_SAYS(text, "--screen-box X,Y,WIDTH,HEIGHT");
}

TEST_F(NewBadInput, BoxOfZeroSaturation) {
  EXPECT_SAYS(Says("grey.1001.exr", {"--screen-box", "8,8,24,24"}, kUsage), "zero saturation");
}

TEST_F(NewBadInput, BoxOutsideThePictureOrNoBox) {
  EXPECT_SAYS(Says("plate.1001.exr", {"--screen-box", "280,8,24,24"}, kUsage),
              "reaches beyond the picture, which is 300 x 200");
  EXPECT_SAYS(Says("plate.1001.exr", {"--screen-box", "8,8,4,24"}, kUsage), "at least 8 x 8");
  EXPECT_SAYS(Says("plate.1001.exr", {"--screen-box", "8,8,24"}, kUsage), "expected X,Y,WIDTH,HEIGHT");
  EXPECT_SAYS(Says("plate.1001.exr", {"--screen-box", "8,8,24,24@1009"}, kUsage),
              "frame 1009 is outside the plate's frames 1001-1003");
}

// The disc's edge runs through it.
TEST_F(NewBadInput, BoxWithTextureIsWarnedOfWithTheRatio) {
  const std::string text = Says("plate.1001.exr", {"--screen-box", "8,30,110,24"}, 0);
  EXPECT_SAYS(text, "warning: the box 8,30,110,24 has texture in it: ");
  EXPECT_SAYS(text, " times as rough as the evenest bare screen");
}

TEST_F(NewBadInput, FilesAndWords) {
  EXPECT_SAYS(Says("none.%04d.exr", {}), "--frames 1001-1048");
  EXPECT_SAYS(Says("none.%04d.exr", {"--frames", "1001-1003"}), "none.1001.exr");
  EXPECT_SAYS(Says("plate.*.exr", {}), "write %04d");
  EXPECT_SAYS(Says("plate.1001.exr", {"--encoding", "log"}, kUsage),
              "allowed: linear, srgb, bt709, printing_density, acescct");
  EXPECT_SAYS(Says("plate.1001.exr", {"--background", studio_->file("no_meadow.%04d.exr")}),
              "no_meadow.%04d.exr: there are no such files");
}

TEST_F(NewBadInput, TheEncodingIsThatOfTheFilesUnlessItIsSaid) {
  const std::string stack = studio_->file("encoding.stack");
  const std::vector<std::string> command = {"new", "--plate", studio_->file("plate.1001.exr"), "-o", stack, "--force"};
  EXPECT_SAYS(studio_->Client(command).out, "encoding      linear; values from");
  EXPECT_SAYS(ReadFile(stack), "encoding: linear");
  std::vector<std::string> said = command;
  said.insert(said.end(), {"--encoding", "bt709"});
  EXPECT_SAYS(studio_->Client(said).out, "encoding      bt709; values from");
  EXPECT_SAYS(ReadFile(stack), "encoding: bt709");
}

TEST_F(NewBadInput, AStackIsNotOverwrittenUnasked) {
  const std::string stack = studio_->WriteStack("mine.stack", "mine");
  const std::vector<std::string> command = {"new", "--plate", studio_->file("plate.1001.exr"), "-o", stack};
  const Finished refused = studio_->Client(command);
  EXPECT_EQ(refused.exit_code, 1);
  EXPECT_SAYS(refused.err, "--force");
  EXPECT_EQ(ReadFile(stack), "mine");
  std::vector<std::string> forced = command;
  forced.push_back("--force");
  const Finished made = studio_->Client(forced);
  EXPECT_EQ(made.exit_code, 0) << made.err;
  EXPECT_NE(ReadFile(stack), "mine");
}

TEST_F(NewBadInput, JsonIsWhatWasFound) {
  const Finished f =
      studio_->Client({"--json", "new", "--plate", studio_->file("plate.1001.exr"), "-o", studio_->file("json.stack")});
  ASSERT_EQ(f.exit_code, 0) << f.err;
  EXPECT_SAYS(f.out, "\"screen\"");
  EXPECT_SAYS(f.out, "\"garbage\"");
}

}  // namespace
}  // namespace selvage::e2e
