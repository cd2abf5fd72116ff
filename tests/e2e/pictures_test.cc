// Delivered files and looks, read by the tools of others: OpenImageIO,
// OpenEXR's exrheader, oiiotool.
#include <filesystem>

#include "tests/e2e/studio.h"

// After protobuf: OpenImageIO's byte swaps hide the macros that it uses.
#include <OpenImageIO/imageio.h>

namespace selvage::e2e {
namespace {

bool Installed(const std::string& tool) { return std::filesystem::exists("/usr/bin/" + tool); }

class Pictures : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    stack_ = studio_.WriteStack("small.stack", SmallStack(4));
    studio_.Submit(stack_);
    studio_.Fetch("out");
  }
  Studio studio_{4};
  std::string stack_;
};

TEST_F(Pictures, DeliveredExrHasAssociatedAlphaNamedLayersAndProvenance) {
  auto in = OIIO::ImageInput::open(studio_.file("out/comp/comp.1001.exr"));
  ASSERT_TRUE(in) << OIIO::geterror();
  const OIIO::ImageSpec& spec = in->spec();
  EXPECT_EQ(spec.format, OIIO::TypeDesc::HALF);
  EXPECT_EQ(spec.full_width, 300);
  EXPECT_EQ(spec.full_height, 200);
  std::vector<std::string> names = spec.channelnames;
  for (const char* expected : {"R", "G", "B", "A", "core.A"}) {
    EXPECT_NE(std::find(names.begin(), names.end(), expected), names.end()) << expected;
  }
  // Over an opaque background alpha is 1 everywhere.
  std::vector<float> pixels(static_cast<size_t>(spec.width) * spec.height * spec.nchannels);
  ASSERT_TRUE(in->read_image(0, 0, 0, -1, OIIO::TypeDesc::FLOAT, pixels.data()));
  const size_t a = std::find(names.begin(), names.end(), "A") - names.begin();
  for (size_t i = a; i < pixels.size(); i += spec.nchannels) ASSERT_EQ(pixels[i], 1.0f);
}

TEST_F(Pictures, MatteIsOneInsideAndZeroOnTheScreen) {
  auto in = OIIO::ImageInput::open(studio_.file("out/matte/matte.1001.exr"));
  ASSERT_TRUE(in);
  std::vector<float> pixels(static_cast<size_t>(in->spec().width) * in->spec().height * in->spec().nchannels);
  ASSERT_TRUE(in->read_image(0, 0, 0, -1, OIIO::TypeDesc::FLOAT, pixels.data()));
  const auto at = [&](int x, int y) {
    return pixels[(static_cast<size_t>(y) * in->spec().width + x) * in->spec().nchannels];
  };
  EXPECT_EQ(in->spec().nchannels, 1);
  EXPECT_GT(at(105, 110), 0.97f);
  EXPECT_LT(at(20, 20), 0.03f);
}

TEST_F(Pictures, OtherPeoplesToolsReadTheFiles) {
  if (Installed("exrheader")) {
    const Finished f = RunProcess({"/usr/bin/exrheader", studio_.file("out/comp/comp.1001.exr")});
    EXPECT_EQ(f.exit_code, 0);
    EXPECT_NE(f.out.find("core.A"), std::string::npos) << f.out;
    EXPECT_NE(f.out.find("selvage"), std::string::npos) << f.out;
    EXPECT_NE(f.out.find("small"), std::string::npos) << "stack name in the header\n" << f.out;
  }
  if (Installed("oiiotool")) {
    const Finished f = RunProcess({"/usr/bin/oiiotool", "--info", "-v", studio_.file("out/comp/comp.1002.exr")});
    EXPECT_EQ(f.exit_code, 0);
    EXPECT_NE(f.out.find("300 x  200"), std::string::npos) << f.out;
  }
  if (!Installed("exrheader") && !Installed("oiiotool")) GTEST_SKIP() << "neither exrheader nor oiiotool is installed";
}

TEST_F(Pictures, LooksArePngsOfEveryKind) {
  for (const char* as : {"matte", "black", "checker", "plate", "background", "color", "wipe"}) {
    const std::string file = studio_.file(std::string("look_") + as + ".png");
    std::vector<std::string> command = {"look", stack_, "front", "--frame", "1002", "--as", as, "-o", file};
    if (std::string(as) == "background") command.insert(command.end(), {"--background", "meadow"});
    const Finished f = studio_.Client(command);
    ASSERT_EQ(f.exit_code, 0) << as << ": " << f.err;
    auto in = OIIO::ImageInput::open(file);
    ASSERT_TRUE(in) << as;
    EXPECT_EQ(std::string(in->format_name()), "png");
    EXPECT_EQ(in->spec().width, 300);
  }
}

TEST_F(Pictures, LookTakesTheOnlyFrameOfAStack) {
  const auto look = [&](const std::vector<std::string>& more) {
    std::vector<std::string> words = {"look", stack_, "core", "--as", "matte", "-o", studio_.file("look.png")};
    words.insert(words.end(), more.begin(), more.end());
    return studio_.Client(words);
  };
  const Finished which = look({});
  EXPECT_EQ(which.exit_code, 2);
  EXPECT_NE(which.err.find("1001 to 1004"), std::string::npos) << which.err;
  const std::vector<std::string> one = {"--set", "frames.first=1003", "--set", "frames.last=1003"};
  const Finished only = look(one);
  EXPECT_EQ(only.exit_code, 0) << only.err;
  const std::string picture = ReadFile(studio_.file("look.png"));
  std::vector<std::string> named = one;
  named.insert(named.end(), {"--frame", "1003"});
  ASSERT_EQ(look(named).exit_code, 0);
  EXPECT_TRUE(ReadFile(studio_.file("look.png")) == picture);
}

TEST_F(Pictures, PagesAnswer) {
  if (!Installed("curl")) GTEST_SKIP() << "curl is not installed";
  const Finished health =
      RunProcess({"/usr/bin/curl", "-sS", "--noproxy", "*", "http://" + studio_.http() + "/healthz"});
  EXPECT_EQ(health.exit_code, 0) << health.err;
  const Finished metrics =
      RunProcess({"/usr/bin/curl", "-sS", "--noproxy", "*", "http://" + studio_.http() + "/metrics"});
  EXPECT_NE(metrics.out.find("# TYPE selvage_"), std::string::npos) << metrics.out;
}

}  // namespace
}  // namespace selvage::e2e
