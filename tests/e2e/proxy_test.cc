// Half-size working, as an artist types it: sooner, said everywhere, and never delivered by
// mistake.
#include "tests/e2e/studio.h"

// After protobuf: both have macros for swapping bytes.
#include <OpenImageIO/imageio.h>

#include <cmath>
#include <filesystem>
#include <vector>

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)
#define EXPECT_SAYS_NOT(text, part) EXPECT_EQ((text).find(part), std::string::npos) << (text)

constexpr int kFrames = 4, kRefused = 1, kUsage = 2, kCannotWrite = 5;

struct Samples {
  int width = 0, height = 0;
  std::string software, proxy;
  // Of the last channel, row by row.
  std::vector<float> alpha;
};

Samples ReadExr(const std::string& path) {
  Samples s;
  const auto in = OIIO::ImageInput::open(path);
  if (in == nullptr) {
    ADD_FAILURE() << path << ": " << OIIO::geterror();
    return s;
  }
  s.width = in->spec().full_width;
  s.height = in->spec().full_height;
  s.software = in->spec().get_string_attribute("Software");
  s.proxy = in->spec().get_string_attribute("selvage.proxy");
  const int channels = in->spec().nchannels;
  std::vector<float> all(static_cast<size_t>(in->spec().width) * in->spec().height * channels);
  EXPECT_TRUE(in->read_image(0, 0, 0, channels, OIIO::TypeDesc::FLOAT, all.data()));
  for (size_t i = static_cast<size_t>(channels) - 1; i < all.size(); i += static_cast<size_t>(channels)) {
    s.alpha.push_back(all[i]);
  }
  return s;
}

class AtHalfSize : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    stack_ = studio_.WriteStack("small.stack", SmallStack(kFrames));
  }
  Finished SubmitHalf(std::vector<std::string> more = {}) const {
    more.insert(more.begin(), {"submit", stack_, "--scale", "1/2", "--watch"});
    const Finished f = studio_.Client(more);
    EXPECT_EQ(f.exit_code, 0) << f.err;
    return f;
  }
  Finished Fetch(std::vector<std::string> more = {}) const {
    more.insert(more.begin(), "fetch");
    return studio_.Client(more);
  }
  std::string Out(const std::string& name) const { return studio_.file("out/" + name); }

  Studio studio_{kFrames};
  std::string stack_;
};

TEST_F(AtHalfSize, ItIsSaidAndDeliveredOnlyOnRequestUnderNamesThatSayIt) {
  const Finished submitted = SubmitHalf({"--note", "first try"});
  EXPECT_SAYS(submitted.out, "version 1 of small at half size");
  EXPECT_SAYS(submitted.out, "small  half size  ");
  EXPECT_SAYS(studio_.Client({"jobs"}).out, "small (half size)");
  EXPECT_SAYS(studio_.Client({"versions", stack_}).out, "half size  first try  --set proxy=2");

  const Finished refused = Fetch();
  EXPECT_EQ(refused.exit_code, kRefused) << refused.out;
  EXPECT_SAYS(refused.err, "was rendered at half size");
  EXPECT_SAYS(refused.err, "--reduced");
  EXPECT_FALSE(fs::exists(Out("comp.1001.exr")));
  EXPECT_FALSE(fs::exists(Out("comp_half.1001.exr")));

  const Finished fetched = Fetch({"--reduced"});
  EXPECT_EQ(fetched.exit_code, 0) << fetched.err;
  EXPECT_SAYS(fetched.out, "comp: 4 files");
  EXPECT_SAYS(fetched.out, Out("comp_half.1004.exr"));
  EXPECT_FALSE(fs::exists(Out("comp.1001.exr")));
  const Samples half = ReadExr(Out("comp_half.1002.exr"));
  EXPECT_EQ(half.width, 150);
  EXPECT_EQ(half.height, 100);
  EXPECT_EQ(half.proxy, "1/2");
  EXPECT_SAYS(half.software, "1/2 of the size");
  EXPECT_SAYS(Fetch({"--reduced"}).out, "4 there already and unchanged");
  EXPECT_EQ(Fetch({"--reduced", "--overwrite"}).exit_code, kUsage);
  EXPECT_EQ(Fetch({"--reduced", "--papers"}).exit_code, kUsage);

  // The full size afterwards is rendered in full, and replaces nothing of the other.
  const std::string before = ReadFile(Out("comp_half.1002.exr"));
  const JobProgress full = studio_.Submit(stack_);
  EXPECT_EQ(Sum(full).reused, 0u);
  EXPECT_EQ(full.proxy(), 0u);
  EXPECT_EQ(Fetch().exit_code, 0);
  const Samples whole = ReadExr(Out("comp.1002.exr"));
  EXPECT_EQ(whole.width, 300);
  EXPECT_EQ(whole.proxy, "");
  EXPECT_SAYS_NOT(whole.software, "size");
  EXPECT_EQ(ReadFile(Out("comp_half.1002.exr")), before);

  // And the other way round: nothing of the full size is lost, neither files nor results.
  const std::string delivered = ReadFile(Out("comp.1002.exr"));
  SubmitHalf({"--set", "core.choke.pixels=2"});
  EXPECT_EQ(Fetch({"--reduced"}).exit_code, 0);
  EXPECT_EQ(ReadFile(Out("comp.1002.exr")), delivered);
  EXPECT_NE(ReadFile(Out("comp_half.1002.exr")), before);
  EXPECT_EQ(Sum(studio_.Submit(stack_)).rendered, 0u);
}

TEST_F(AtHalfSize, FilesOfOthersAreNotReplaced) {
  SubmitHalf();
  fs::create_directory(studio_.file("out"));
  WriteFile(Out("comp_half.1002.exr"), "a day's work");
  const Finished refused = Fetch({"--reduced"});
  EXPECT_EQ(refused.exit_code, kCannotWrite) << refused.out;
  EXPECT_SAYS(refused.err, "deliverable \"comp at half size\"");
  EXPECT_EQ(ReadFile(Out("comp_half.1002.exr")), "a day's work");

  // Nor what a delivery of the full size wrote under such a name.
  fs::remove(Out("comp_half.1002.exr"));
  studio_.Submit(stack_, {"comp.files=" + Out("comp_half.%04d.exr")});
  EXPECT_EQ(Fetch({"--deliverable", "comp"}).exit_code, 0);
  const std::string delivered = ReadFile(Out("comp_half.1002.exr"));
  SubmitHalf();
  EXPECT_EQ(Fetch({"--reduced", "--deliverable", "comp"}).exit_code, kCannotWrite);
  EXPECT_EQ(ReadFile(Out("comp_half.1002.exr")), delivered);
}

TEST_F(AtHalfSize, ReasonsAreThoseOfTheSameSizeInTheNumbersOfTheStack) {
  studio_.Submit(stack_);
  const auto why = [&](const std::string& scale, const std::string& set) {
    return studio_.Client({"why", stack_, "core", "-f", "1002", "--scale", scale, "--set", set}).out;
  };
  EXPECT_SAYS(why("1/2", "core.choke.pixels=2"), "not rendered before");
  SubmitHalf();
  EXPECT_SAYS(why("1/2", "core.choke.pixels=2"), "choke.pixels 1.5 -> 2");
  EXPECT_SAYS(why("1/2", "core.levels.white=0.7"), "levels.white 0.6 -> 0.7");
  EXPECT_SAYS(why("1", "core.choke.pixels=2"), "choke.pixels 1.5 -> 2");
  EXPECT_SAYS(studio_.Client({"plan", stack_, "--scale", "1/2"}).out, "0 tasks to render");
  EXPECT_SAYS(studio_.Client({"check", stack_, "--scale", "1/8"}).out, "no faults");
}

// The key is close to the key of the full size, reduced: the same shapes, other noise. On
// this shot, whose edges are soft, the mean difference of the matte is a few thousandths.
TEST_F(AtHalfSize, TheMatteIsNearTheReducedOne) {
  SubmitHalf();
  EXPECT_EQ(Fetch({"--reduced"}).exit_code, 0);
  studio_.Submit(stack_);
  EXPECT_EQ(Fetch().exit_code, 0);
  const Samples full = ReadExr(Out("matte.1002.exr")), half = ReadExr(Out("matte_half.1002.exr"));
  ASSERT_EQ(full.alpha.size(), 4 * half.alpha.size());
  double sum = 0, covered = 0;
  for (int y = 0; y < half.height; ++y) {
    for (int x = 0; x < half.width; ++x) {
      const size_t at = static_cast<size_t>(2 * y) * full.width + 2 * x;
      const double mean =
          0.25 * (full.alpha[at] + full.alpha[at + 1] + full.alpha[at + full.width] + full.alpha[at + full.width + 1]);
      sum += std::abs(half.alpha[static_cast<size_t>(y) * half.width + x] - mean);
      covered += mean;
    }
  }
  const double pixels = static_cast<double>(half.alpha.size());
  RecordProperty("mean_difference", std::to_string(sum / pixels));
  EXPECT_GT(covered / pixels, 0.05);
  EXPECT_LT(sum / pixels, 0.01);
}

TEST_F(AtHalfSize, ASmallLookOfWhatIsNotThereYetIsReducedAndSaysSo) {
  const auto look = [&](std::vector<std::string> more, const std::string& frame = "1002") {
    std::vector<std::string> all = {"look", stack_, "final", "-f", frame, "--longest-side", "75", "--as", "color"};
    all.insert(all.end(), more.begin(), more.end());
    const Finished f = studio_.Client(all);
    EXPECT_EQ(f.exit_code, 0) << f.err;
    return f.out;
  };
  const auto size = [](const std::string& path) {
    const auto in = OIIO::ImageInput::open(path);
    return in == nullptr ? std::string() : std::to_string(in->spec().width) + "x" + std::to_string(in->spec().height);
  };
  EXPECT_SAYS(look({"-o", studio_.file("a.png")}), "a.png (rendered at quarter size)");
  EXPECT_EQ(size(studio_.file("a.png")), "75x50");
  EXPECT_SAYS_NOT(look({"-o", studio_.file("b.png"), "--crop", "10,10,200,100"}), "rendered at");
  EXPECT_SAYS_NOT(look({"-o", studio_.file("c.png"), "--exact"}, "1001"), "rendered at");
  // Larger than half of the format.
  const Finished large = studio_.Client(
      {"look", stack_, "final", "-f", "1003", "--longest-side", "151", "--as", "color", "-o", studio_.file("d.png")});
  EXPECT_SAYS_NOT(large.out, "rendered at");
  // What is in the cache in full is shown in full.
  studio_.Submit(stack_);
  EXPECT_SAYS_NOT(look({"-o", studio_.file("e.png")}), "rendered at");
  EXPECT_EQ(size(studio_.file("e.png")), "75x50");
}

}  // namespace
}  // namespace selvage::e2e
